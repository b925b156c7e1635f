"""Months and years counted in the calendar."""

from __future__ import annotations

from calendar import monthrange
from datetime import date


def months_after(day: date, months: int) -> date:
    """The same day of the month, `months` later; the last day of that month if it has no such day."""
    years, month = divmod(day.month - 1 + months, 12)
    year, month = day.year + years, month + 1
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def age_on(day: date, born_on: date) -> int:
    """Whole years on `day`. Who was born on 29 February has the birthday on 1 March of other years."""
    return day.year - born_on.year - ((day.month, day.day) < (born_on.month, born_on.day))
