"""At which moment a notice may leave: outside the quiet hours and, if asked, while the branch is open.

Pure reckoning in the branch's own zone. Where the clocks are changed at the edge of the quiet hours, the longer quiet
is kept: a span that may be used begins with the later and ends with the earlier reading of its wall-clock times.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from opticshop.branches.calendars import LONGEST_CLOSED, Calendar
from opticshop.core.errors import Conflict

Span = tuple[dt.time, dt.time | None]
MIDNIGHT = dt.time(0)


class NoTimeToSend(Conflict):
    """The quiet hours and the closed days of the branch leave no moment within a year at which a notice could leave."""

    code = "reminders.no_time_to_send"
    title = "There is no hour at which these notices could be sent"


def sendable_at(
    moment: dt.datetime, *, quiet_from: dt.time, quiet_to: dt.time, calendar: Calendar, open_days_only: bool
) -> dt.datetime:
    """The moment itself where a notice may leave then, else the next such, in UTC. Raises NoTimeToSend."""
    zone = ZoneInfo(calendar.zone)
    first = moment.astimezone(zone).date()
    for later in range(LONGEST_CLOSED):
        day = first + dt.timedelta(days=later)
        for opens, closes in _spans(day, quiet_from, quiet_to, calendar, open_days_only):
            start = max(_readings(day, opens, zone))
            end = min(_readings(day, closes, zone) if closes else _readings(day + dt.timedelta(days=1), MIDNIGHT, zone))
            found = max(moment.astimezone(dt.UTC), start)
            if found < end:
                return found
    raise NoTimeToSend(field="quiet_from")


def _spans(
    day: dt.date, quiet_from: dt.time, quiet_to: dt.time, calendar: Calendar, open_days_only: bool
) -> Iterator[Span]:
    """The spans of a day that may be used, in order; None as the end is midnight."""
    spans: list[Span] = [(MIDNIGHT, None)]
    if quiet_from < quiet_to:
        spans = [(MIDNIGHT, quiet_from), (quiet_to, None)]
    elif quiet_from > quiet_to:
        spans = [(quiet_to, quiet_from)]
    if not open_days_only:
        yield from spans
    elif calendar.is_open(day):
        opens, closes = calendar.hours[day.weekday()]
        for start, end in spans:
            yield max(start, opens), closes if end is None else min(end, closes)


def _readings(day: dt.date, time: dt.time, zone: ZoneInfo) -> tuple[dt.datetime, dt.datetime]:
    """A wall-clock time as both instants that it may mean; they differ only where the clocks are changed."""
    local = dt.datetime.combine(day, time, zone)
    return local.replace(fold=0).astimezone(dt.UTC), local.replace(fold=1).astimezone(dt.UTC)
