"""How many messages a branch may give to a channel in a minute: held by rows, so that all workers keep to it."""

from __future__ import annotations

import datetime as dt

from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import clock

from ..models import RateWindow

KEPT_FOR = dt.timedelta(hours=1)


def rate_take(branch: Branch, channel: str, per_minute: int | None) -> bool:
    """Take one of this minute's places, in the caller's transaction; False when they are all taken."""
    if per_minute is None:
        return True
    key = {"branch": branch, "channel": channel, "minute": clock.now().replace(second=0, microsecond=0)}
    windows = RateWindow.objects.everywhere("one minute of one channel")
    if _taken(key, per_minute):
        return True
    windows.bulk_create([RateWindow(**key)], ignore_conflicts=True)
    return _taken(key, per_minute)


def windows_forget() -> int:
    """Remove the windows of minutes long past."""
    old = RateWindow.objects.everywhere("minutes long past").filter(minute__lt=clock.now() - KEPT_FOR)
    return old.delete()[0]


def _taken(key: dict[str, object], per_minute: int) -> bool:
    row = RateWindow.objects.everywhere("one minute of one channel").filter(**key, used__lt=per_minute)
    return bool(row.update(used=F("used") + 1))
