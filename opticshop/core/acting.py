"""Who acts at this moment, from where and why: what the audit trail writes beside every change and every read.

A ``Trace`` is opened by the middleware for a request, and by the runner for an event handler or a duty. It is no
authority: what an actor may do is decided by ``core.actor`` alone.
"""

from __future__ import annotations

import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import PurePath
from typing import Any

from .actor import Actor
from .fetching import let_go


@dataclass(slots=True)
class Seen:
    """Rows of one model that the caller was shown."""

    model: type[Any]
    rows: list[Any]


@dataclass(slots=True)
class Trace:
    actor_id: uuid.UUID | None = None
    actor_label: str = "unknown"
    actor_kind: str = "unknown"
    via: str = ""
    address: str | None = None
    request_id: str = ""
    method: str = ""
    route: str = ""
    reason: str = ""
    seen: list[Seen] = field(default_factory=list)
    #: Made from the other fields by whoever writes them down; empty again when they change.
    written: str = ""

    def let_go(self) -> None:
        """What was shown is written down and needed no more."""
        for each in self.seen:
            let_go(each.rows)
            each.rows.clear()

    def name(self, actor: Actor) -> None:
        self.actor_id, self.actor_label, self.actor_kind = actor.id, actor.label, actor.kind
        self.written = ""

    def as_facts(self) -> dict[str, Any]:
        """As the columns of the trail take them."""
        return {name: self.fact(name) for name in _FACTS}

    def fact(self, name: str) -> str | None:
        """One of them."""
        value = getattr(self, name)
        if name == "actor_id":
            return str(value) if value else None
        longest = _FACTS[name]
        return value if longest is None else _text(value, longest)


#: The columns of the trail, and how long each text may be.
_FACTS: dict[str, int | None] = {
    "actor_id": None,
    "actor_label": 200,
    "actor_kind": None,
    "via": 100,
    "address": None,
    "request_id": 64,
    "method": 10,
    "route": 200,
    "reason": 300,
}


def _text(value: str, length: int) -> str:
    """What every database takes as text: no NUL, no half of a surrogate pair."""
    if value.isascii() and "\x00" not in value:
        return value[:length]
    return value.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")[:length]


_trace: ContextVar[Trace | None] = ContextVar("trace", default=None)
_untold: ContextVar[bool] = ContextVar("untold", default=False)


def current() -> Trace:
    """The trace of the work at hand; outside of any, a nameless one that says which program runs."""
    return _trace.get() or Trace(via=_program())


def opened() -> Trace | None:
    return _trace.get()


@contextmanager
def tracing(trace: Trace) -> Iterator[Trace]:
    token = _trace.set(trace)
    try:
        yield trace
    finally:
        _trace.reset(token)


@contextmanager
def system_acting(label: str, reason: str = "", request_id: str = "") -> Iterator[Trace]:
    """The service itself acts, for instance an event handler or a duty, whoever asked for it before; ``request_id`` is
    that of the request which led to it."""
    made = Trace(
        actor_label=f"system:{label}", actor_kind="system", via=_program(), reason=reason, request_id=request_id
    )
    with tracing(made) as trace:
        yield trace


@contextmanager
def values_untold() -> Iterator[None]:
    """Within, the audit trail says which columns a change emptied and which rows went, not what they held."""
    token = _untold.set(True)
    try:
        yield
    finally:
        _untold.reset(token)


def are_untold() -> bool:
    return _untold.get()


def named(actor: Actor, via: str = "") -> None:
    """Tell the open trace who its actor is, and by what means it came."""
    trace = _trace.get()
    if trace is not None:
        trace.via = via or trace.via
        trace.name(actor)


def saw(model: type[Any], rows: list[Any]) -> None:
    """Tell the open trace which rows the caller is about to be shown."""
    trace = _trace.get()
    if trace is not None and rows:
        trace.seen.append(Seen(model, rows))


def _program() -> str:
    return _named_by(*sys.argv[:2])


@lru_cache(maxsize=8)
def _named_by(path: str = "", command: str = "") -> str:
    return " ".join([PurePath(path).name, command]).strip()[:100]
