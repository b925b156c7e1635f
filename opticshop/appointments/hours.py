"""When somebody can come: opening hours less what is booked. Instants are aware UTC, days are the branch's own."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from opticshop.branches.calendars import Calendar

SHORTEST, LONGEST = dt.timedelta(minutes=5), dt.timedelta(hours=8)
#: Slots begin on whole steps of this.
STEP = dt.timedelta(minutes=5)
#: How far ahead the next free slot is looked for.
LOOK_AHEAD = dt.timedelta(days=62)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """From one instant up to, not including, another."""

    starts_at: dt.datetime
    ends_at: dt.datetime

    @property
    def length(self) -> dt.timedelta:
        return self.ends_at - self.starts_at

    def holds(self, other: Span) -> bool:
        return self.starts_at <= other.starts_at and other.ends_at <= self.ends_at


def midnight(day: dt.date, zone: str) -> dt.datetime:
    """When a day begins in a zone, in UTC."""
    return dt.datetime.combine(day, dt.time(), ZoneInfo(zone)).astimezone(dt.UTC)


def day_of(moment: dt.datetime, zone: str) -> dt.date:
    return moment.astimezone(ZoneInfo(zone)).date()


def opening(calendar: Calendar, day: dt.date) -> Span | None:
    """When the branch is open on a day; None where it is closed."""
    if not calendar.is_open(day):
        return None
    zone = ZoneInfo(calendar.zone)
    opens, closes = (dt.datetime.combine(day, time, zone).astimezone(dt.UTC) for time in calendar.hours[day.weekday()])
    return Span(opens, closes) if opens < closes else None


def why_outside(calendar: Calendar, span: Span) -> str:
    """Why a span does not lie within the opening hours of one day; empty where it does."""
    day = day_of(span.starts_at, calendar.zone)
    if closed := calendar.why_closed(day):
        return f"The branch is closed on {day:%A} {day}: {closed}."
    opened = opening(calendar, day)
    if opened is not None and opened.holds(span):
        return ""
    opens, closes = calendar.hours[day.weekday()]
    return f"On {day:%A} {day} the branch is open from {opens:%H:%M} to {closes:%H:%M}."


def stretches(
    calendar: Calendar, first: dt.date, last: dt.date, busy: Iterable[Span], *, after: dt.datetime
) -> Iterator[Span]:
    """What is left of the opening hours of the days, last one included, not before ``after`` and without ``busy``."""
    taken = sorted(busy)
    for offset in range((last - first).days + 1):
        opened = opening(calendar, first + dt.timedelta(days=offset))
        if opened is None:
            continue
        begin = max(opened.starts_at, after)
        for span in taken:
            if span.ends_at <= begin or span.starts_at >= opened.ends_at:
                continue
            if span.starts_at > begin:
                yield Span(begin, span.starts_at)
            begin = max(begin, span.ends_at)
        if begin < opened.ends_at:
            yield Span(begin, opened.ends_at)


def slots(stretch: Span, length: dt.timedelta) -> Iterator[Span]:
    """One after another, as many as fit, beginning on a whole step."""
    begin = _EPOCH + -((_EPOCH - stretch.starts_at) // STEP) * STEP
    while begin + length <= stretch.ends_at:
        yield Span(begin, begin + length)
        begin += length if length % STEP == dt.timedelta() else (length // STEP + 1) * STEP


def next_slot(calendar: Calendar, busy: Iterable[Span], length: dt.timedelta, *, after: dt.datetime) -> Span | None:
    """The first slot of that length from a moment on; None within LOOK_AHEAD."""
    first = day_of(after, calendar.zone)
    for stretch in stretches(calendar, first, first + LOOK_AHEAD, busy, after=after):
        for slot in slots(stretch, length):
            return slot
    return None


def reminder_moment(calendar: Calendar, starts_at: dt.datetime, agreed_at: dt.datetime) -> dt.datetime | None:
    """When to remind: as the branch opens on the last open day before that of the appointment.

    None where it was agreed a day or less ahead, or only after that moment: it is fresh in memory.
    """
    if starts_at - agreed_at <= dt.timedelta(days=1):
        return None
    day = day_of(starts_at, calendar.zone)
    for back in range(1, LOOK_AHEAD.days):
        opened = opening(calendar, day - dt.timedelta(days=back))
        if opened is not None:
            return opened.starts_at if opened.starts_at > agreed_at else None
    return None
