"""OperationOutcome as an answer: every failure under /fhir/, where the rest of the service answers problem+json."""

from __future__ import annotations

import json
import logging
from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.http import Http404, HttpResponse
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import set_rollback

from opticshop.core.errors import DomainError, NotFound
from opticshop.core.locks import refusal_of
from opticshop.core.throttling import refused_or_throttled

from .issues import Issue, ResourceRefused, operation_outcome
from .vocabulary import MEDIA_TYPE

log = logging.getLogger("opticshop.exchange")

#: HTTP status -> code of the required value set ``issue-type``.
ISSUE_CODES = {
    400: "invalid",
    401: "login",
    403: "forbidden",
    404: "not-found",
    405: "not-supported",
    406: "not-supported",
    409: "conflict",
    412: "conflict",
    413: "too-long",
    415: "not-supported",
    422: "business-rule",
    429: "throttled",
    500: "exception",
    503: "transient",
}


def outcome_for(error: Exception, context: dict[str, Any]) -> Response:
    """Exception handler of the FHIR views: every failure is an OperationOutcome; an unforeseen one tells nothing."""
    set_rollback()
    if isinstance(error, Http404):
        error = NotFound()
    elif isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    elif (refusal := refusal_of(error)) is not None:
        log.warning("the database is the reason: %s", error)
        error = refusal
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed | exceptions.PermissionDenied):
        error = refused_or_throttled(error, context)
    if isinstance(error, ResourceRefused):
        return _answer(error.status, error.issues)
    if isinstance(error, DomainError):
        issue = Issue(ISSUE_CODES.get(error.status, "processing"), error.detail, problem=error.code)
        return _answer(error.status, [issue], error.headers)
    if isinstance(error, RequestDataTooBig):
        return _answer(413, [Issue("too-long", "Send less at once.")])
    if isinstance(error, SuspiciousOperation | RecursionError):
        return _answer(400, [Issue("invalid", "The request is malformed.")])
    if isinstance(error, exceptions.APIException):
        return _framework(error)
    log.exception("unforeseen failure in the clinical exchange", exc_info=error)
    return _answer(500, [Issue("exception", "Something failed here. Quote the X-Request-ID when you report this.")])


def _framework(error: exceptions.APIException) -> Response:
    status = error.status_code
    headers = {}
    if getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = error.auth_header  # type: ignore[attr-defined]
    if getattr(error, "wait", None):
        headers["Retry-After"] = str(int(error.wait) + 1)  # type: ignore[attr-defined]
    return _answer(status, [Issue(ISSUE_CODES.get(status, "processing"), str(error.detail))], headers)


def _answer(status: int, issues: Sequence[Issue], headers: dict[str, str] | None = None) -> Response:
    return Response(operation_outcome(issues), status=status, headers=headers, content_type=MEDIA_TYPE)


def plain_outcome(status: int) -> HttpResponse:
    """For failures before a view is reached."""
    issue = Issue(ISSUE_CODES.get(status, "processing"), f"{HTTPStatus(status).phrase}.")
    return HttpResponse(json.dumps(operation_outcome([issue])), status=status, content_type=MEDIA_TYPE)
