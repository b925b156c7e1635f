"""When a pair can be promised: open days of the branch, further days for lenses made to order, load of the bench.

    promise = the open day  L + max(T, Q)  open days after the day of the order

L  days for lenses made to order (0 when all lenses come from stock): the longest lead time that suppliers state for
   them, and the branch's own figure for a lens of which none is stated
T  the branch's turnaround for stock lenses
Q  open days the bench needs for the pairs before this one and this one: ceil((open + 1) / daily capacity); 0 where the
   branch states no capacity

Open days come from the branch's calendar: its weekdays, closures and public holidays. Supplier lead times belong to
purchasing, which stands above and hands its reader in (``lead_times_from``).
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from opticshop.branches.calendars import ORDINARY_WEEK, Calendar, calendar_of
from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct

#: (lens products, day) -> open days from order to goods in, for those of which a supplier states them.
LeadTimes = Callable[[Iterable[LensProduct], dt.date], Mapping[uuid.UUID, int]]

ORDINARY = Calendar(zone="UTC", hours=ORDINARY_WEEK)


@dataclass(frozen=True, slots=True)
class Reckoned:
    """A promise: the day, the reason in words, and the figures it rests on (none where a person named the day)."""

    promised_on: dt.date
    reason: str
    basis: dict[str, Any]


def _none_stated(lenses: Iterable[LensProduct], day: dt.date) -> Mapping[uuid.UUID, int]:
    return {}


_lead_times: LeadTimes = _none_stated


def lead_times_from(reader: LeadTimes) -> None:
    """Ask this reader for the lead times of lenses made to order."""
    global _lead_times
    _lead_times = reader


def lead_days(*, branch: Branch, day: dt.date, specials: Iterable[LensProduct]) -> int:
    """L, for the lenses made to order among those of a pair."""
    lenses = list(specials)
    stated = _lead_times(lenses, day) if lenses else {}
    return max((stated.get(lens.id, branch.special_order_days) for lens in lenses), default=0)


def reckon(*, branch: Branch, day: dt.date, lead: int, open_orders: int) -> Reckoned:
    """The promise for an order placed on a day, with ``lead_days`` as ``lead``. Raises NeverOpen."""
    calendar = calendar_of(branch)
    queue = -(-(open_orders + 1) // branch.daily_capacity) if branch.daily_capacity else 0
    count = lead + max(branch.turnaround_days, queue)
    slowest = "the bench" if queue > branch.turnaround_days else "the turnaround"
    words = f"Reckoned: {count} open days, by {slowest}" + (" and lenses made to order" if lead else "")
    return Reckoned(
        promised_on=working_days_after(day, count, calendar),
        reason=words,
        basis={
            "open_days": count,
            "turnaround_days": branch.turnaround_days,
            "special_order_days": lead,
            "queue_days": queue,
            "open_orders": open_orders,
            "daily_capacity": branch.daily_capacity,
            "knows_holidays": calendar.knows_holidays,
        },
    )


def working_days_after(day: dt.date, count: int, calendar: Calendar = ORDINARY) -> dt.date:
    """The day ``count`` open days after ``day``; zero gives the next day that is one. Monday to Friday by default."""
    return calendar.open_days_after(day, count)
