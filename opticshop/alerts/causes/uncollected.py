"""Spectacles that are ready and that nobody fetches."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from opticshop.orders.models import Order, OrderState
from opticshop.orders.permissions import OrderPermission

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds, api, growing

_WATCHED = "common practice, no source: looked at after 14, 30 and 90 days"


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """One query."""
    first = given["notice_days"]
    before = place.start_of(place.today - dt.timedelta(days=first - 1))
    ready = Order.objects.everywhere("alerts of a branch").filter(
        branch=place.branch, state=OrderState.READY, ready_at__lt=before
    )
    steps = (
        (first, Severity.NOTICE),
        (given["warning_days"], Severity.WARNING),
        (given["urgent_days"], Severity.URGENT),
    )
    for order in ready.order_by("id"):
        ready_at: Any = order.ready_at
        day = place.day_of(ready_at)
        severity = growing((place.today - day).days, steps)
        if severity is None:
            continue
        yield Found(
            key=f"orders/{order.id}",
            about=f"orders/{order.id}",
            link=api("orders", order.id),
            number=order.number,
            severity=severity,
            since=ready_at,
            facts={"ready_on": day.isoformat(), "customer": str(order.customer_id)},
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    return f"Order {number} has been ready since {facts['ready_on']} and was not collected."


CAUSE = Cause(
    name="uncollected",
    title="Uncollected spectacles",
    action="Telephone the customer; agree a day for the collection.",
    owner_role="counter",
    needs=OrderPermission.VIEW,
    thresholds=(
        Threshold("notice_days", "Raised when ready for so many days", 14, "days", 1, 366, _WATCHED, "medium"),
        Threshold("warning_days", "A warning from so many days", 30, "days", 1, 730, _WATCHED, "medium"),
        Threshold("urgent_days", "Urgent from so many days", 90, "days", 1, 1830, _WATCHED, "medium"),
    ),
    find=find,
    words=words,
)
