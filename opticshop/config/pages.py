"""The few plain pages beside the API: the front page, the documentation of problems, health."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import connection
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

from opticshop.core.errors import all_errors
from opticshop.optics.errors import OpticsError

from .problems import FRAMEWORK_PROBLEMS


def front(request: HttpRequest) -> HttpResponse:
    return render(request, "front.html", {"version": settings.OPTICSHOP_VERSION})


def problems(request: HttpRequest, code: str | None = None) -> HttpResponse:
    rows = [row for row in known_problems() if code in (None, row["code"])]
    if not rows:
        raise Http404
    return render(request, "problems.html", {"rows": rows})


def known_problems() -> list[dict[str, Any]]:
    """Every ``type`` that an answer can carry: ours, those of the optics, and those of HTTP itself."""
    found = {kind.code: (kind.title, kind.status, _first_words(kind)) for kind in all_errors()}
    for optic in OpticsError.__subclasses__():
        found.setdefault(optic.default_code, ("This cannot be computed", 422, _first_words(optic)))
    found["core.malformed"] = ("A field is missing or malformed", 400, "The errors name the fields and the reasons.")
    for status, (code, title) in FRAMEWORK_PROBLEMS.items():
        found.setdefault(code, (title, status, ""))
    return [
        {"code": code, "title": title, "status": status, "words": words}
        for code, (title, status, words) in sorted(found.items())
    ]


def _first_words(kind: type) -> str:
    return (kind.__doc__ or "").strip().split("\n\n")[0]


def live(request: HttpRequest) -> JsonResponse:
    """The process answers."""
    return JsonResponse({"status": "alive", "version": settings.OPTICSHOP_VERSION})


def ready(request: HttpRequest) -> JsonResponse:
    """The database answers (needed); Redis answers (wanted: without it the API serves and work waits)."""
    parts: dict[str, str] = {}
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        parts["database"] = "ok"
    except Exception:
        parts["database"] = "down"
    if settings.REDIS_URL:
        parts["redis"] = _redis()
    ok = parts["database"] == "ok"
    return JsonResponse({"status": "ready" if ok else "not ready", "parts": parts}, status=200 if ok else 503)


def _redis() -> str:
    import redis

    try:
        redis.Redis.from_url(settings.REDIS_URL, socket_timeout=1, socket_connect_timeout=1).ping()
    except redis.RedisError:
        return "down"
    return "ok"
