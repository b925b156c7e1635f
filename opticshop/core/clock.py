"""The only source of time. Instants are aware UTC; a day belongs to a time zone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from zoneinfo import ZoneInfo

_fixed: ContextVar[dt.datetime | None] = ContextVar("fixed_now", default=None)


def now() -> dt.datetime:
    """The present instant, aware, UTC."""
    return _fixed.get() or dt.datetime.now(dt.UTC)


def today(zone: str) -> dt.date:
    """The calendar day at this moment in an IANA time zone."""
    return now().astimezone(ZoneInfo(zone)).date()


@contextmanager
def at(moment: dt.datetime) -> Iterator[None]:
    """Hold the clock at a moment (tests, replays). The moment must be aware."""
    if moment.tzinfo is None:
        raise ValueError("the clock can only be held at an aware moment")
    token = _fixed.set(moment.astimezone(dt.UTC))
    try:
        yield
    finally:
        _fixed.reset(token)
