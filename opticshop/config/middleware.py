"""Request ids; problem+json under /api/, and FHIR's own answer under /fhir/, where no view is reached."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from opticshop.exchange.outcomes import plain_outcome

from .logs import request_id
from .problems import plain_problem

_ACCEPTABLE = re.compile(r"^[A-Za-z0-9._-]{8,64}$")
Get = Callable[[HttpRequest], HttpResponse]


class RequestIdMiddleware:
    """Takes X-Request-ID if it is well formed, else makes one; says it in the answer and in the logs."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        mine = given if _ACCEPTABLE.match(given) else uuid.uuid4().hex
        token = request_id.set(mine)
        request.request_id = mine  # type: ignore[attr-defined]
        try:
            response = self.get_response(request)
        finally:
            request_id.reset(token)
        response["X-Request-ID"] = mine
        return response


class ProblemPagesMiddleware:
    """An HTML error page under /api/ or /fhir/ becomes the shape that views answer with there."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if response.status_code < 400 or not response.get("Content-Type", "").startswith("text/html"):
            return response
        if request.path.startswith("/api/"):
            return plain_problem(request, response.status_code)
        if request.path.startswith("/fhir/"):
            return plain_outcome(response.status_code)
        return response
