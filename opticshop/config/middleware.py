"""Request ids, and problem+json for everything under /api/ that fails before a view is reached."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

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
        try:
            response = self.get_response(request)
        finally:
            request_id.reset(token)
        response["X-Request-ID"] = mine
        return response


class ProblemPagesMiddleware:
    """An HTML error page under /api/ becomes the same problem shape that views answer with."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        html = response.get("Content-Type", "").startswith("text/html")
        if response.status_code >= 400 and html and request.path.startswith("/api/"):
            return plain_problem(request, response.status_code)
        return response
