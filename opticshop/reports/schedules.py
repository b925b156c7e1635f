"""When a scheduled report is due, and which days it is of. Pure reckoning, by the clocks of one time zone.

An hour that the clocks leave out in spring is taken as the moment at which they are put forward; of an hour that comes
twice in autumn the first counts. So there is one moment for each day, whatever the clocks do.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from .schedules_models import PeriodInWords, Rhythm

DAY = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class When:
    """``weekday`` 1 is Monday; ``month_day`` beyond the end of a month is its last day; ``hour`` 0 to 23."""

    rhythm: str
    hour: int
    time_zone: str
    weekday: int | None = None
    month_day: int | None = None

    def day_of(self, moment: dt.datetime) -> dt.date:
        """The calendar day of a moment in the time zone."""
        return moment.astimezone(ZoneInfo(self.time_zone)).date()


def next_after(when: When, moment: dt.datetime) -> dt.datetime:
    """The first moment after that one at which the report is due, in UTC."""
    day = when.day_of(moment) - DAY
    while True:
        if _is_on(when, day):
            due = dt.datetime.combine(day, dt.time(when.hour), ZoneInfo(when.time_zone)).astimezone(dt.UTC)
            if due > moment:
                return due
        day += DAY


def newest_until(when: When, first: dt.datetime, now: dt.datetime) -> tuple[dt.datetime, int]:
    """Of the moments from the first, which is due, up to now: the newest, and how many were before it."""
    missed = 0
    while (later := next_after(when, first)) <= now:
        first, missed = later, missed + 1
    return first, missed


def days_of(period: str, day: dt.date) -> tuple[dt.date, dt.date]:
    """First and last day of a period in words, for a report that is due on that day."""
    yesterday = day - DAY
    if period == PeriodInWords.YESTERDAY:
        return yesterday, yesterday
    if period == PeriodInWords.LAST_WEEK:
        monday = day - dt.timedelta(days=day.weekday() + 7)
        return monday, monday + 6 * DAY
    if period == PeriodInWords.MONTH_TO_DATE:
        return yesterday.replace(day=1), yesterday
    last = day.replace(day=1) - DAY
    return last.replace(day=1), last


def _is_on(when: When, day: dt.date) -> bool:
    if when.rhythm == Rhythm.WEEKLY:
        return day.isoweekday() == when.weekday
    if when.rhythm == Rhythm.MONTHLY:
        assert when.month_day is not None
        return day.day == min(when.month_day, calendar.monthrange(day.year, day.month)[1])
    return True
