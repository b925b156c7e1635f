"""Request ids; bodies refused unread; what browsers are told; problem+json under /api/, and FHIR's own answer under
/fhir/, where no view is reached.
"""

from __future__ import annotations

import codecs
import re
import uuid
from collections.abc import Callable
from dataclasses import asdict
from functools import cache
from typing import Any

from csp.constants import HEADER
from csp.middleware import CSPMiddleware, PolicyParts
from csp.utils import build_policy
from django.conf import settings
from django.contrib.messages.middleware import MessageMiddleware
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from whitenoise.middleware import WhiteNoiseMiddleware

from opticshop.accounts import session_store, verified
from opticshop.core import throttling
from opticshop.core.parsers import stated_length
from opticshop.exchange.outcomes import plain_outcome

from . import policies
from .logs import request_id
from .problems import plain_problem

_ACCEPTABLE = re.compile(r"[A-Za-z0-9._-]{8,64}")
Get = Callable[[HttpRequest], HttpResponse]


class RequestIdMiddleware:
    """Takes X-Request-ID if it is well formed, else makes one; says it in the answer and in the logs."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        mine = given if _ACCEPTABLE.fullmatch(given) else uuid.uuid4().hex
        token = request_id.set(mine)
        request.request_id = mine  # type: ignore[attr-defined]
        try:
            response = self.get_response(request)
        finally:
            request_id.reset(token)
        response["X-Request-ID"] = mine
        return response


def comes_with_a_token(request: HttpRequest) -> bool:
    """A request of the API that names its bearer token: whatever cookies come with it are not looked at."""
    found: bool | None = getattr(request, "comes_with_a_token", None)
    if found is None:
        scheme = request.META.get("HTTP_AUTHORIZATION", "")[:7].lower()
        found = scheme == "bearer " and request.path_info.startswith("/api/v1/")
        request.comes_with_a_token = found  # type: ignore[attr-defined]
    return found


class _ForBrowsers:
    """Of a middleware that serves pages: files, sessions, messages. A request with a token passes it by."""

    def __call__(self, request: HttpRequest) -> Any:
        if comes_with_a_token(request):
            return self.get_response(request)  # type: ignore[attr-defined]
        return super().__call__(request)  # type: ignore[misc]


class FilesMiddleware(_ForBrowsers, WhiteNoiseMiddleware):
    pass


class SessionMiddleware(_ForBrowsers, session_store.SessionMiddleware):
    pass


class VerifiedUserMiddleware(_ForBrowsers, verified.VerifiedUserMiddleware):
    pass


class MessagesMiddleware(_ForBrowsers, MessageMiddleware):
    pass


class ProblemPagesMiddleware:
    """An HTML error page under /api/ or /fhir/ becomes the shape that views answer with there; its headers stay."""

    _OF_THE_BODY = frozenset({"content-type", "content-length", "content-disposition", "etag"})

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if response.status_code < 400 or not response.get("Content-Type", "").startswith("text/html"):
            return response
        if request.path.startswith("/api/"):
            answer = plain_problem(request, response.status_code)
        elif request.path.startswith("/fhir/"):
            answer = plain_outcome(response.status_code)
        else:
            return response
        for name, value in response.headers.items():
            if name.lower() not in self._OF_THE_BODY:
                answer.headers.setdefault(name, value)
        return answer


class BodyMiddleware:
    """Refuses a body before it is read: one that is larger than anything here takes (413), compressed, or in an
    encoding that is no plain text (415). Some of Python's codecs unpack, others take quadratic time.
    """

    _PLAIN = frozenset({"utf-8", "ascii", "iso8859-1", "cp1252"})

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if stated_length(request.META) > settings.OPTICSHOP_BODY_BYTES:
            return HttpResponse(status=413)
        if request.headers.get("Content-Encoding", "identity").strip().lower() != "identity":
            return HttpResponse(status=415, headers={"Accept-Encoding": "identity"})  # RFC 9110, 15.5.16
        if not self._is_plain((request.content_params or {}).get("charset", "utf-8")):
            return HttpResponse(status=415)
        return self.get_response(request)

    def _is_plain(self, charset: str) -> bool:
        """An encoding that nobody knows is none; Django goes on as if nothing had been said."""
        try:
            return codecs.lookup(charset).name in self._PLAIN
        except (LookupError, ValueError):
            return True


@cache
def _nothing() -> str:
    """The policy of nearly every answer, written once."""
    return str(build_policy(**asdict(PolicyParts(config=policies.NOTHING))))


class PoliciesMiddleware(CSPMiddleware):
    """Says to browsers what they may do with the answer, and to clients how much they may still ask."""

    def get_policy_parts(
        self, request: HttpRequest, response: HttpResponseBase, report_only: bool = False
    ) -> PolicyParts:
        if report_only:
            return PolicyParts()
        return PolicyParts(config=policies.policy_for(request, response), nonce=getattr(request, "_csp_nonce", None))

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        answer = response
        if policies.policy_for(request, response) is policies.NOTHING:
            response.headers.setdefault(HEADER, _nothing())
        else:
            answer = super().process_response(request, response)
        for name, value in policies.HEADERS.items():
            answer.headers.setdefault(name, value)
        if policies.is_personal(request):
            answer.headers.setdefault("Cache-Control", policies.NOT_KEPT)
        for name, value in throttling.headers_of(request).items():
            answer.headers[name] = value
        return answer
