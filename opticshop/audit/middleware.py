"""Opens the trace of a request, and writes down what the request has shown of people."""

from __future__ import annotations

import ipaddress
import logging
import re
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from opticshop.core import acting
from opticshop.core.acting import Trace

from .services import reads_write
from .shape import policy

log = logging.getLogger("opticshop.audit")
Get = Callable[[HttpRequest], HttpResponse]
_READ_PATHS = ("/api/v1/", "/fhir/")
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f]+")


class TraceMiddleware:
    """Stands after the one that makes the request's id and before the one that signs in."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        trace = Trace(
            actor_label="nobody",
            actor_kind="nobody",
            address=address_of(request),
            request_id=str(getattr(request, "request_id", "")),
            method=(request.method or "")[:10],
            reason=_UNPRINTABLE.sub(" ", request.headers.get("X-Access-Reason", "")).strip(),
        )
        request.trace = trace  # type: ignore[attr-defined]
        with acting.tracing(trace):
            response = self.get_response(request)
            if _shows_people(request, response):
                self._write(request, trace, response.status_code)
        if not response.streaming:  # else the rows go on being read
            trace.let_go()
        return response

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> None:
        """The address is resolved: the trace gets its pattern; the back office's user is known by now."""
        trace: Trace = request.trace  # type: ignore[attr-defined]
        if request.resolver_match:
            trace.route = plain_route(request.resolver_match.route)
        user = getattr(request, "user", None)
        if user is not None and not request.path.startswith(_READ_PATHS) and user.is_authenticated:
            trace.actor_id, trace.actor_label, trace.actor_kind = user.pk, str(user), "person"
            trace.via = "session"
        trace.written = ""

    def _write(self, request: HttpRequest, trace: Trace, status: int) -> None:
        """A read that cannot be written down is told to the log; the answer, which was allowed, goes out."""
        key = request.resolver_match.kwargs.get("pk") or request.resolver_match.kwargs.get("key") or ""  # type: ignore[union-attr]
        try:
            reads_write(trace, status=status, addressed=str(key)[:64])
        except Exception:
            log.exception("a read was not written into the audit trail: %s %s", trace.actor_label, trace.route)


def _shows_people(request: HttpRequest, response: HttpResponse) -> bool:
    if request.method != "GET" or not request.path.startswith(_READ_PATHS) or request.resolver_match is None:
        return False
    if response.status_code >= 400 and response.status_code != 304:
        return False
    view = getattr(request.resolver_match.func, "cls", None) or getattr(request.resolver_match.func, "view_class", None)
    return view is not None and view.__name__ not in policy().impersonal and bool(getattr(view, "permissions", None))


def address_of(request: HttpRequest) -> str | None:
    """The address of the caller; behind our own proxy the last one that it was told, which the proxy itself added.

    Without the zone of a link-local one (``fe80::1%eth0``): it names a card of this machine, and no column takes it.
    """
    found = request.META.get("REMOTE_ADDR", "")
    if settings.OPTICSHOP_BEHIND_PROXY:
        found = request.headers.get("X-Forwarded-For", found).rsplit(",", 1)[-1].strip()
    try:
        return str(ipaddress.ip_address(found.partition("%")[0]))
    except ValueError:
        return None


@lru_cache(maxsize=1024)
def plain_route(route: str) -> str:
    """``api/v1/orders/(?P<pk>[^/.]+)/$`` -> ``api/v1/orders/{pk}/``."""
    out, depth, index = "", 0, 0
    while index < len(route):
        name = re.match(r"\(\?P<(\w+)>", route[index:]) if depth == 0 else None
        if name:
            out, depth, index = out + "{" + name[1] + "}", 1, index + name.end()
            continue
        char = route[index]
        if depth:
            depth += {"(": 1, ")": -1}.get(char, 0)
        elif char not in "^$\\":
            out += char
        index += 1
    return re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", out)[:200]
