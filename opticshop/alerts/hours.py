"""Working time of a branch as alerts count it: ends of days, and the moment some working hours ago."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

from opticshop.branches.calendars import LONGEST_CLOSED, Calendar
from opticshop.branches.models import Branch

#: How far ahead a promise is looked at.
LOOKS_AHEAD_DAYS = 60
_DAY = dt.timedelta(days=1)


@dataclass(frozen=True)
class Place:
    """A branch at a moment, with its calendar: where causes are looked for."""

    branch: Branch
    calendar: Calendar
    now: dt.datetime

    @cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.calendar.zone)

    @cached_property
    def today(self) -> dt.date:
        return self.now.astimezone(self.zone).date()

    def day_of(self, moment: dt.datetime) -> dt.date:
        return moment.astimezone(self.zone).date()

    def start_of(self, day: dt.date) -> dt.datetime:
        """Midnight at the start of a day of the branch."""
        return dt.datetime.combine(day, dt.time(), self.zone).astimezone(dt.UTC)

    def opens(self, day: dt.date) -> dt.datetime | None:
        """When the branch opens on a day; None where it does not."""
        if not self.calendar.is_open(day):
            return None
        return dt.datetime.combine(day, self.calendar.hours[day.weekday()][0], self.zone).astimezone(dt.UTC)

    def end_of(self, day: dt.date) -> dt.datetime:
        """When the work of a day is over: closing time, or the end of a day on which the branch is closed."""
        if not self.calendar.is_open(day):
            return self.start_of(day + _DAY)
        return dt.datetime.combine(day, self.calendar.hours[day.weekday()][1], self.zone).astimezone(dt.UTC)

    def last_day_within(self, hours: int) -> dt.date:
        """The last day whose work is over within some working hours from now."""
        last = self.today - _DAY
        for _ in range(LOOKS_AHEAD_DAYS):
            if self.calendar.working_minutes(self.now, self.end_of(last + _DAY)) > hours * 60:
                break
            last += _DAY
        return last

    def open_days_since(self, day: dt.date, *, most: int) -> int:
        """Open days after a day, up to today; counted no further than ``most``."""
        found = 0
        while found < most and (day := day + _DAY) <= self.today:
            found += self.calendar.is_open(day)
        return found

    def open_day_before(self, day: dt.date) -> dt.date:
        """The last open day before a day, or the day before where none was open within a year."""
        for back in range(1, LONGEST_CLOSED):
            if self.calendar.is_open(found := day - dt.timedelta(days=back)):
                return found
        return day - _DAY

    def working_hours_ago(self, hours: int) -> dt.datetime | None:
        """The latest moment from which so many working hours have passed by now; None if there is none in a year."""
        left, day = dt.timedelta(hours=hours), self.today
        for _ in range(LONGEST_CLOSED):
            opens, closes = self.opens(day), min(self.end_of(day), self.now)
            if opens is not None and opens < closes:
                if closes - opens >= left:
                    return closes - left
                left -= closes - opens
            day -= _DAY
        return None
