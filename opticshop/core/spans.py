"""Spans of OpenTelemetry, where it is installed (extra ``tracing``) and switched on (``config/telemetry.py``).

Everywhere else nothing happens and nothing is measured. A span carries names of the program, of routes and of tables,
ids of requests and of rows; never a value of a person. What an event causes belongs to the trace of the request that
recorded it: its ``traceparent`` (W3C Trace Context, version 00) lies in the outbox beside the id of the request.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

try:
    from opentelemetry import trace as _otel
    from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator
except ImportError:  # the extra is not installed
    _otel = None  # type: ignore[assignment]

#: Set by whoever switches tracing on.
_tracer: Any = None
#: ``00-<trace id>-<span id>-<flags>`` (W3C Trace Context, 3.2).
TRACEPARENT_LENGTH = 55


def is_installed() -> bool:
    return _otel is not None


def switch(provider: Any | None) -> None:
    """Make spans by that provider; by none with None."""
    global _tracer
    _tracer = provider.get_tracer("opticshop") if provider is not None else None


def is_on() -> bool:
    return _tracer is not None


def is_recording() -> bool:
    """Whether work of this thread belongs to a span that is kept."""
    return _tracer is not None and _otel.get_current_span().is_recording()


@contextmanager
def span(name: str, *, kind: str = "internal", parent: str | None = None, **facts: Any) -> Iterator[Any]:
    """A span around the work within, None where tracing is off.

    ``kind`` is internal, server, client or consumer; ``parent`` a traceparent by which it goes on with another trace.
    Dots in names of facts are written as two underscores. An exception is told by its kind alone: its text may be about
    a person.
    """
    if _tracer is None:
        yield None
        return
    context = TraceContextTextMapPropagator().extract({"traceparent": parent}) if parent else None
    made = _tracer.start_as_current_span(
        name,
        context=context,
        kind=getattr(_otel.SpanKind, kind.upper()),
        attributes={key.replace("__", "."): value for key, value in facts.items() if value not in (None, "")},
        record_exception=False,
        set_status_on_exception=False,
    )
    with made as current:
        try:
            yield current
        except BaseException as error:
            current.set_attribute("error.type", type(error).__qualname__)
            current.set_status(_otel.StatusCode.ERROR)
            raise


def traceparent() -> str:
    """Of the span at hand, for whoever goes on with it later; empty where there is none."""
    if _tracer is None:
        return ""
    carrier: dict[str, str] = {}
    TraceContextTextMapPropagator().inject(carrier)
    return carrier.get("traceparent", "")[:TRACEPARENT_LENGTH]
