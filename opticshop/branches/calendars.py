"""On which days and hours a branch works: its opening hours, its own closures, the public holidays of its country.

Public holidays come from the ``holidays`` library for the branch's country and subdivision; a country it does not know
has none here, which ``Calendar.knows_holidays`` says. Days are the branch's own, instants are aware.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from zoneinfo import ZoneInfo

import holidays as public_holidays

from opticshop.core.errors import Conflict

from .models import Branch

Hours = tuple[dt.time, dt.time]
#: Kept by a branch that has stated none: Monday to Friday (common practice, no source).
ORDINARY_WEEK: Mapping[int, Hours] = {weekday: (dt.time(9), dt.time(17, 30)) for weekday in range(5)}
#: How far ahead an open day is looked for.
LONGEST_CLOSED = 366
A_DAY = dt.timedelta(days=1)


class NeverOpen(Conflict):
    """The branch has no open day within a year: its closures leave none."""

    code = "branches.never_open"
    title = "This branch is not open on any day to come"


@dataclass(frozen=True, slots=True)
class Calendar:
    """The working days and hours of one branch. ``hours`` by weekday, 0 is Monday."""

    zone: str
    hours: Mapping[int, Hours]
    closures: Sequence[tuple[dt.date, dt.date, str]] = ()
    holidays: Mapping[dt.date, str] = field(default_factory=dict)
    knows_holidays: bool = True
    #: Day -> when it is open, in UTC; filled as days are asked for, since figures ask for the same days many times.
    _known: dict[dt.date, tuple[dt.datetime, dt.datetime] | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def why_closed(self, day: dt.date) -> str | None:
        """Why the branch is closed on a day, or None where it is open."""
        if day.weekday() not in self.hours:
            return "not an opening day"
        for first, last, reason in self.closures:
            if first <= day <= last:
                return reason
        return self.holidays.get(day)

    def is_open(self, day: dt.date) -> bool:
        return self.why_closed(day) is None

    def next_open(self, day: dt.date) -> dt.date:
        """The day itself where it is open, else the next that is. Raises NeverOpen."""
        for later in range(LONGEST_CLOSED):
            if self.is_open(found := day + dt.timedelta(days=later)):
                return found
        raise NeverOpen(f"No open day within {LONGEST_CLOSED} days from {day}.", field="branch")

    def open_days_after(self, day: dt.date, count: int) -> dt.date:
        """The open day ``count`` open days after the next open day from ``day`` on; zero gives that day itself."""
        found = self.next_open(day)
        for _ in range(count):
            found = self.next_open(found + dt.timedelta(days=1))
        return found

    def working_minutes(self, start: dt.datetime, end: dt.datetime) -> float:
        """Minutes between two instants within opening hours; 0 where the end is not later than the start."""
        return sum((closes - opens).total_seconds() / 60 for opens, closes in self._open_spans(start, end))

    def days_between(self, start: dt.datetime, end: dt.datetime) -> int:
        """Calendar days of the branch from the day of one instant to that of another; 0 on the same day."""
        zone = ZoneInfo(self.zone)
        return (end.astimezone(zone).date() - start.astimezone(zone).date()).days

    def _open_spans(self, start: dt.datetime, end: dt.datetime) -> Iterator[tuple[dt.datetime, dt.datetime]]:
        zone = ZoneInfo(self.zone)
        day, last = start.astimezone(zone).date(), end.astimezone(zone).date()
        while day <= last:
            if (hours := self._open_at(day)) is not None:
                opens, closes = max(hours[0], start), min(hours[1], end)
                if opens < closes:
                    yield opens, closes
            day += A_DAY

    def _open_at(self, day: dt.date) -> tuple[dt.datetime, dt.datetime] | None:
        """From when to when the branch is open on a day, in UTC; None where it is closed."""
        if day not in self._known:
            found = None
            if self.is_open(day):
                zone = ZoneInfo(self.zone)
                opens, closes = (
                    dt.datetime.combine(day, time, zone).astimezone(dt.UTC) for time in self.hours[day.weekday()]
                )
                found = opens, closes
            self._known[day] = found
        return self._known[day]


def calendar_of(branch: Branch) -> Calendar:
    """The calendar of a branch, from its rows (two queries, or none where they were fetched with it)."""
    hours = {row.weekday: (row.opens_at, row.closes_at) for row in branch.opening_hours.all()}
    closures = [(row.first_on, row.last_on, row.reason) for row in branch.closures.all()]
    kept = _holidays(branch.country, branch.subdivision) if branch.keeps_public_holidays else {}
    return Calendar(
        zone=branch.time_zone,
        hours=hours or ORDINARY_WEEK,
        closures=closures,
        holidays=kept if kept is not None else {},
        knows_holidays=kept is not None,
    )


def subdivisions_of(country: str) -> list[str] | None:
    """The subdivisions whose holidays are known; None where the country is not known at all."""
    known = public_holidays.list_supported_countries(include_aliases=False)
    return sorted(known[country]) if country in known else None


@lru_cache(maxsize=64)
def _holidays(country: str, subdivision: str) -> Mapping[dt.date, str] | None:
    """Day -> name, filled year by year as days are asked for; None where the country is not known."""
    try:
        return public_holidays.country_holidays(country, subdiv=subdivision or None)
    except NotImplementedError:
        return None
