"""One error shape: RFC 9457 problem+json for every failure under /api/."""

from __future__ import annotations

import json
import logging
import sys
from http import HTTPStatus
from itertools import islice
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.http import Http404, HttpRequest, HttpResponse
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import set_rollback

from opticshop.core.errors import DomainError, NotFound
from opticshop.core.locks import refusal_of
from opticshop.core.throttling import refused_or_throttled
from opticshop.optics.errors import OpticsError

from .logs import request_id

log = logging.getLogger("opticshop.problems")
MEDIA_TYPE = "application/problem+json"
#: How many faults of one request are told at once: an answer is not to grow with a hostile request.
MOST_ERRORS = 100

#: Framework failures: HTTP status -> (code, title).
FRAMEWORK_PROBLEMS = {
    400: ("http.bad_request", "The request cannot be read"),
    401: ("http.not_signed_in", "Sign in first"),
    403: ("core.forbidden", "Your role does not allow this"),
    404: ("core.not_found", "There is no such thing here"),
    405: ("http.method_not_allowed", "This method is not offered here"),
    406: ("http.not_acceptable", "None of the accepted media types is offered"),
    413: ("http.too_large", "The request is too large"),
    415: ("http.unsupported_media_type", "Send JSON"),
    429: ("http.too_many_requests", "Too many requests; wait a little"),
    500: ("http.internal", "Something failed here"),
}


def problem_type(code: str) -> str:
    return f"/problems/{code}"


def _body(*, status: int, code: str, title: str, detail: str, instance: str, **extra: Any) -> dict[str, Any]:
    return {
        "type": problem_type(code),
        "title": title,
        "status": status,
        "detail": detail,
        "instance": instance,
        "code": code,
        "request_id": request_id.get(),
        **extra,
    }


def problem_for(error: Exception, context: dict[str, Any]) -> Response | None:
    """DRF's exception handler: every raised error becomes a problem; an unforeseen one a logged 500 without detail."""
    request = context.get("request")
    path = request.path if request is not None else ""
    set_rollback()
    if isinstance(error, Http404):
        error = NotFound()
    elif isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    elif isinstance(error, RequestDataTooBig):
        return _problem_response(413, *FRAMEWORK_PROBLEMS[413], detail="Send less at once.", path=path)
    elif isinstance(error, SuspiciousOperation):
        return _problem_response(400, *FRAMEWORK_PROBLEMS[400], detail="The request is malformed.", path=path)
    elif isinstance(error, RecursionError):
        return _problem_response(400, *FRAMEWORK_PROBLEMS[400], detail="The request is nested too deeply.", path=path)
    elif (refusal := refusal_of(error)) is not None:
        log.warning("the database is the reason at %s: %s", path, error)
        error = refusal
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed | exceptions.PermissionDenied):
        error = refused_or_throttled(error, context)
    if isinstance(error, DomainError):
        return _domain(error, path)
    if isinstance(error, OpticsError):
        field = getattr(error, "field", None)
        errors = [{"pointer": pointer(field), "detail": str(error), "code": error.code}] if field else None
        code, title = error.code, "This cannot be computed"
        return _problem_response(422, code, title, detail=str(error), path=path, errors=errors)
    if isinstance(error, exceptions.ValidationError):
        errors = list(islice(_flatten(error.get_full_details()), MOST_ERRORS))
        return _problem_response(
            400,
            "core.malformed",
            "A field is missing or malformed",
            detail="; ".join(f"{e['pointer']}: {e['detail']}" for e in errors)[:1000],
            path=path,
            errors=errors,
        )
    if isinstance(error, exceptions.APIException):
        return _framework(error, path)
    log.exception("unforeseen failure at %s", path, exc_info=error)
    return _problem_response(
        500, *FRAMEWORK_PROBLEMS[500], detail="Quote the request id when you report this.", path=path
    )


def _domain(error: DomainError, path: str) -> Response:
    errors = None
    if error.field is not None:
        entry = {"pointer": pointer(error.field), "detail": error.detail, "code": error.code}
        if error.allowed is not None:
            entry["allowed"] = error.allowed
        errors = [entry]
    return _problem_response(
        error.status,
        error.code,
        error.title,
        detail=error.detail,
        path=path,
        errors=errors,
        headers=error.headers,
        extra=error.extra,
    )


def _framework(error: exceptions.APIException, path: str) -> Response:
    status = error.status_code
    code, title = FRAMEWORK_PROBLEMS.get(status, (f"http.{status}", HTTPStatus(status).phrase))
    headers = {}
    if getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = error.auth_header  # type: ignore[attr-defined]
    if getattr(error, "wait", None):
        headers["Retry-After"] = str(int(error.wait) + 1)  # type: ignore[attr-defined]
    return _problem_response(status, code, title, detail=str(error.detail), path=path, headers=headers)


def _problem_response(
    status: int,
    code: str,
    title: str,
    *,
    detail: str,
    path: str,
    errors: Any = None,
    headers: dict[str, str] | None = None,
    extra: dict[str, Any] | None = None,
) -> Response:
    body = _body(status=status, code=code, title=title, detail=detail, instance=path, **(extra or {}))
    if errors:
        body["errors"] = errors
    return Response(body, status=status, headers=headers, content_type=MEDIA_TYPE)


def pointer(field: str | None) -> str:
    """``right.axis`` or ``lenses/0/axis`` as a JSON pointer fragment; header names stay as they are."""
    if not field:
        return "#"
    return "#/" + field.replace(".", "/")


def _flatten(details: Any, path: str = "") -> Any:
    if isinstance(details, dict) and set(details) == {"message", "code"}:
        yield {"pointer": pointer(path), "detail": str(details["message"]), "code": str(details["code"])}
    elif isinstance(details, dict):
        for name, inner in details.items():
            step = "" if name == "non_field_errors" else str(name)
            yield from _flatten(inner, f"{path}/{step}".strip("/"))
    elif isinstance(details, list):
        plain = all(isinstance(d, dict) and set(d) == {"message", "code"} for d in details)
        for index, inner in enumerate(details):
            yield from _flatten(inner, path if plain else f"{path}/{index}".strip("/"))


def plain_problem(request: HttpRequest, status: int) -> HttpResponse:
    code, title = FRAMEWORK_PROBLEMS.get(status, (f"http.{status}", HTTPStatus(status).phrase))
    body = _body(status=status, code=code, title=title, detail=title + ".", instance=request.path)
    return HttpResponse(json.dumps(body), status=status, content_type=MEDIA_TYPE)


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return plain_problem(request, 404)


def server_error(request: HttpRequest) -> HttpResponse:
    """Called while the error is handled; where the database is the reason, that is said here as well."""
    refusal = refusal_of(error) if (error := sys.exc_info()[1]) is not None else None
    if refusal is None:
        return plain_problem(request, 500)
    body = _body(
        status=refusal.status,
        code=refusal.code,
        title=refusal.title,
        detail=refusal.detail,
        instance=request.path,
    )
    return HttpResponse(json.dumps(body), status=refusal.status, content_type=MEDIA_TYPE, headers=refusal.headers)
