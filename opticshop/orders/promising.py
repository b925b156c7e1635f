"""When a pair can be promised: working days from the day the order is complete."""

from __future__ import annotations

import datetime as dt

SATURDAY = 5


def working_days_after(day: dt.date, count: int) -> dt.date:
    """The day ``count`` working days (Monday to Friday) after ``day``; zero gives the next day that is one."""
    result = day
    while result.weekday() >= SATURDAY:
        result += dt.timedelta(days=1)
    for _ in range(count):
        result += dt.timedelta(days=1)
        while result.weekday() >= SATURDAY:
            result += dt.timedelta(days=1)
    return result
