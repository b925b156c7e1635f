"""The few plain pages beside the API: the front page, the documentation of problems, health."""

from __future__ import annotations

from django.conf import settings
from django.db import connection
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

from opticshop.core.errors import all_errors


def front(request: HttpRequest) -> HttpResponse:
    return render(request, "front.html", {"version": settings.OPTICSHOP_VERSION})


def problems(request: HttpRequest, code: str | None = None) -> HttpResponse:
    kinds = sorted({kind.code: kind for kind in all_errors()}.values(), key=lambda kind: kind.code)
    if code is not None:
        kinds = [kind for kind in kinds if kind.code == code]
        if not kinds:
            raise Http404
    rows = [
        {
            "code": k.code,
            "title": k.title,
            "status": k.status,
            "words": (k.__doc__ or "").strip().split("\n\n")[0],
        }
        for k in kinds
    ]
    return render(request, "problems.html", {"rows": rows})


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
