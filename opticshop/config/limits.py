"""Rate limits of the addresses that no view set answers: signing in, and tokens."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.http import HttpRequest, HttpResponse

from opticshop.core import acting
from opticshop.core.throttling import counted, network_of, rate_of

from .problems import plain_problem

View = Callable[..., Any]


def limited(bucket: str, view: View) -> View:
    """The view, of which each address gets as many POSTs as the rate called ``bucket`` allows. Its marks stay."""

    @wraps(view)
    def counts_first(request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        rate = rate_of(bucket)
        if request.method != "POST" or rate is None:
            return view(request, *args, **kwargs)
        count = counted(request, bucket, rate, network_of(acting.current().address))
        if count is None or not count.is_over:
            return view(request, *args, **kwargs)
        answer: HttpResponse = plain_problem(request, 429)
        answer["Retry-After"] = str(count.seconds)
        return answer

    return counts_first
