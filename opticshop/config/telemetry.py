"""What is told of each request and statement: spans of OpenTelemetry, and the log of slow statements.

Tracing is off unless ``OPTICSHOP_TRACES`` says where spans go: ``otlp`` sends them by OTLP over HTTP to the address in
``OTEL_EXPORTER_OTLP_ENDPOINT``; how many are kept say ``OTEL_TRACES_SAMPLER`` and ``OTEL_TRACES_SAMPLER_ARG`` (the
specification of OpenTelemetry, "Environment Variable Specification").

A trace: the request -> its transaction -> the service functions that are one, by their names ->
their statements; and, whenever they run, the deliveries of the events that it recorded with theirs.
"""

from __future__ import annotations

import logging
import re
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.signals import connection_created
from django.http import HttpRequest, HttpResponse

from opticshop.core import acting, spans

from . import env
from .metrics import METHODS, template_of

log = logging.getLogger("opticshop.slow")
Get = Callable[[HttpRequest], HttpResponse]

#: A statement is told up to here.
LONGEST = 1000
#: Texts and numbers that somebody wrote into a statement instead of passing them beside it.
_LITERALS = re.compile(r"'(?:[^']|'')*'|\$(\w*)\$.*?\$\1\$|(?<![\w$%\"])\d+(?:\.\d+)?(?![\w\"])", re.DOTALL)
_TABLE = re.compile(r"\b(?:FROM|INTO|UPDATE|JOIN)\s+(?:ONLY\s+)?\"?(\w+)\"?", re.IGNORECASE)


def configure() -> None:
    """Switch on what the environment asks for. Called once, when the apps are ready."""
    connection_created.connect(_watch, dispatch_uid="config.telemetry")
    where = env.text("OPTICSHOP_TRACES", "off")
    if where == "off":
        return
    if where != "otlp":
        raise ImproperlyConfigured(f"OPTICSHOP_TRACES must be off or otlp, not {where!r}")
    if not spans.is_installed():
        raise ImproperlyConfigured("OPTICSHOP_TRACES needs the extra: pip install -r requirements/tracing.txt")
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor

    resource = Resource.create({"service.name": "opticshop", "service.version": settings.OPTICSHOP_VERSION})
    provider = TracerProvider(resource=resource)
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    use(provider)


def use(provider: Any | None) -> None:
    """Make spans by that provider, and of each outermost transaction one; None ends it."""
    spans.switch(provider)
    transaction.Atomic.__enter__, transaction.Atomic.__exit__ = (_enter, _exit) if provider else _PLAIN  # type: ignore[method-assign]


# --- requests -----------------------------------------------------------------------------------------------------
class SpanMiddleware:
    """Stands after the one that makes the request's id. A trace that a caller began is gone on with behind our own
    proxy only: anybody else could have all of theirs kept."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not spans.is_on():
            return self.get_response(request)
        method = request.method if request.method in METHODS else "other"
        parent = request.headers.get("traceparent") if settings.OPTICSHOP_BEHIND_PROXY else None
        facts = {"http__request__method": method, "opticshop__request_id": getattr(request, "request_id", "")}
        with spans.span(method, kind="server", parent=parent, **facts) as current:
            response = self.get_response(request)
            route = template_of(request.resolver_match.route) if request.resolver_match else "none"
            current.update_name(f"{method} {route}")
            current.set_attribute("http.route", route)
            current.set_attribute("http.response.status_code", response.status_code)
            if response.status_code >= 500:
                current.set_attribute("error.type", str(response.status_code))
        return response


# --- use cases ----------------------------------------------------------------------------------------------------
_PLAIN = (transaction.Atomic.__enter__, transaction.Atomic.__exit__)
_Open = AbstractContextManager[Any]


def _enter(self: Any) -> None:
    """The outermost transaction is a span, and within it that of each service function: where a request carries an
    Idempotency-Key, the outermost is that of its record."""
    opened: _Open | None = None
    if spans.is_recording():
        name, is_service = _use_case(sys._getframe(1))
        if is_service or not transaction.get_connection(self.using).in_atomic_block:
            opened = spans.span(name)
    kept = _open_spans(self.using)
    if opened is not None:
        opened.__enter__()
    kept.append(opened)
    try:
        _PLAIN[0](self)
    except BaseException:
        if (begun := kept.pop()) is not None:
            begun.__exit__(*sys.exc_info())
        raise


def _exit(self: Any, kind: Any, error: Any, trace: Any) -> None:
    try:
        _PLAIN[1](self, kind, error, trace)
    finally:
        kept = _open_spans(self.using)
        if kept and (begun := kept.pop()) is not None:
            _ended(begun, kind, error, trace)


def _open_spans(using: str | None) -> list[_Open | None]:
    """Of the connection, which belongs to one thread; an Atomic that decorates a function belongs to all of them."""
    kept: list[_Open | None] = transaction.get_connection(using).__dict__.setdefault("_opticshop_spans", [])
    return kept


def _ended(begun: _Open, kind: Any, error: Any, trace: Any) -> None:
    try:
        begun.__exit__(kind, error, trace)
    except BaseException as raised:
        if raised is not error:
            raise


def _use_case(frame: FrameType | None) -> tuple[str, bool]:
    """The function whose transaction begins: the decorated one, or the one that says ``with``; and whether it is one of
    the services."""
    while frame is not None:
        module = str(frame.f_globals.get("__name__", ""))
        if module == "contextlib" and callable(made := frame.f_locals.get("func")):
            if str(made.__module__).startswith("opticshop."):
                return _called(made.__module__, made.__qualname__)
        elif module.startswith("opticshop.") and module != __name__:
            return _called(module, frame.f_code.co_qualname)
        frame = frame.f_back
    return "transaction", False


def _called(module: str, function: str) -> tuple[str, bool]:
    name = f"{module.removeprefix('opticshop.')}.{function}"
    return name, ".services." in name


# --- statements ---------------------------------------------------------------------------------------------------
def _watch(connection: BaseDatabaseWrapper, **_: Any) -> None:
    wrappers = connection.execute_wrappers
    if _statement not in wrappers:
        wrappers.insert(0, _statement)


def _statement(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: dict[str, Any]) -> Any:
    if not spans.is_recording():
        return _timed(execute, sql, params, many, context)
    text = plain(str(sql))
    table = _TABLE.search(text)
    word = text.partition(" ")[0].upper()
    facts = {
        "db__system__name": context["connection"].vendor,
        "db__operation__name": word,
        "db__collection__name": table[1] if table else None,
        "db__query__text": text,
        "opticshop__database": context["connection"].alias,
    }
    with spans.span(f"{word} {table[1]}" if table else word, kind="client", **facts):
        return _timed(execute, sql, params, many, context)


def _timed(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: dict[str, Any]) -> Any:
    began = time.perf_counter()
    try:
        return execute(sql, params, many, context)
    finally:
        took = (time.perf_counter() - began) * 1000
        if 0 < settings.OPTICSHOP_SLOW_QUERY_MS <= took:
            trace = acting.current()
            log.warning(
                "slow statement: %d ms, %s, %s, by %s: %s",
                took,
                context["connection"].alias,
                f"{len(params)} sets of parameters" if many else f"{len(params or ())} parameters",
                trace.route or trace.actor_label,
                plain(str(sql)),
            )


def plain(sql: str) -> str:
    """The statement on one line and without any value: what is passed beside it is never told, what stands in it is
    masked."""
    return " ".join(_LITERALS.sub("?", sql[: 4 * LONGEST]).split())[:LONGEST]
