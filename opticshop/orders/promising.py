"""When a pair can be promised: open days of the branch, further days for lenses made to order, load of the bench.

    promise = the open day  L + max(T, Q)  open days after the day of the order

L  the branch's further days for lenses made to order (0 when all lenses come from stock)
T  the branch's turnaround for stock lenses
Q  open days the bench needs for the pairs before this one and this one: ceil((open + 1) / daily capacity); 0 where the
   branch states no capacity

Open days come from the branch's calendar: its weekdays, closures and public holidays. Supplier lead times per product
belong to purchasing; until it says them the branch's own figure stands.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from opticshop.branches.calendars import ORDINARY_WEEK, Calendar, calendar_of
from opticshop.branches.models import Branch

ORDINARY = Calendar(zone="UTC", hours=ORDINARY_WEEK)


@dataclass(frozen=True, slots=True)
class Reckoned:
    """A promise: the day, the reason in words, and the figures it rests on (none where a person named the day)."""

    promised_on: dt.date
    reason: str
    basis: dict[str, Any]


def reckon(*, branch: Branch, day: dt.date, has_special: bool, open_orders: int) -> Reckoned:
    """The promise for an order placed on a day. Raises NeverOpen."""
    calendar = calendar_of(branch)
    lead = branch.special_order_days if has_special else 0
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
