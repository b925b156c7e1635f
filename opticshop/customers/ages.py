"""Age in whole years."""

from __future__ import annotations

import datetime as dt


def age_on(born_on: dt.date | None, day: dt.date) -> int | None:
    """Completed years on a day, None for an unknown birth date; 29 February counts from 1 March of a common year."""
    if born_on is None:
        return None
    return day.year - born_on.year - ((day.month, day.day) < (born_on.month, born_on.day))
