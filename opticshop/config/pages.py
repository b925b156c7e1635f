"""The few plain pages beside the API: the front page, the documentation of problems, health."""

from __future__ import annotations

import logging
from functools import lru_cache
from typing import Any

import redis
from django.conf import settings
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from redis.backoff import NoBackoff
from redis.retry import Retry

from opticshop.core.errors import all_errors
from opticshop.optics.errors import OpticsError

from . import measuring
from .problems import FRAMEWORK_PROBLEMS

log = logging.getLogger("opticshop.health")


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


def no_icon(request: HttpRequest) -> HttpResponse:
    """Browsers ask for one on pages that name none, such as those of the back office."""
    return HttpResponse(status=204)


def live(request: HttpRequest) -> JsonResponse:
    """The process answers."""
    return JsonResponse({"status": "alive", "version": settings.OPTICSHOP_VERSION})


def ready(request: HttpRequest) -> JsonResponse:
    """Ready: everything is there. Degraded (still 200): the API serves, but work waits. Not ready (503): it cannot.

    The database with its migrations is needed. Redis is wanted: without it jobs wait for the schedule or for Redis,
    and requests are counted by each process for itself. Duties that are late are named.
    """
    parts = {"database": _database()}
    if parts["database"] == "ok":
        parts["migrations"] = _migrations()
    needed = all(state == "ok" for state in parts.values())
    if settings.REDIS_URL:
        parts["redis"] = _redis()
    if needed:
        late = measuring.late_duties()
        parts["duties"] = f"late: {', '.join(late)}" if late else "ok"
    whole = all(state == "ok" for state in parts.values())
    status = "ready" if whole else "degraded" if needed else "not ready"
    return JsonResponse({"status": status, "parts": parts}, status=200 if needed else 503)


def _database() -> str:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except Exception:
        log.warning("the database does not answer", exc_info=True)
        return "down"
    return "ok"


@lru_cache(maxsize=1)
def _last_migrations() -> frozenset[tuple[str, str]]:
    """The last migration of each app of this release, as (app, name)."""
    return frozenset(MigrationLoader(None).graph.leaf_nodes())


def _migrations() -> str:
    missing = sorted(_last_migrations() - set(MigrationRecorder(connection).applied_migrations()))
    return f"not applied: {', '.join('.'.join(each) for each in missing)}" if missing else "ok"


#: How long a Redis that accepts the connection and says nothing holds up the answer, in seconds.
REDIS_SECONDS = 0.5


def _redis() -> str:
    patience = {"socket_timeout": REDIS_SECONDS, "socket_connect_timeout": REDIS_SECONDS}
    try:
        with redis.Redis.from_url(settings.REDIS_URL, retry=Retry(NoBackoff(), 0), **patience) as asked:
            asked.ping()
    except (redis.RedisError, OSError):
        return "down"
    return "ok"
