"""Lenses that should be here: a lens made to order, or a purchase order, past the day on which it was expected."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from opticshop.purchasing.models import LensOrder, PurchaseOrder, PurchaseOrderState
from opticshop.purchasing.permissions import PurchasingPermission
from opticshop.purchasing.selectors import late

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds, api

_AWAITED = (PurchaseOrderState.SENT, PurchaseOrderState.PART_RECEIVED)
_SINCE = dt.timedelta(days=1)


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """Two queries."""
    day = place.today - dt.timedelta(days=given["grace_days"])
    lenses = LensOrder.objects.everywhere("alerts of a branch").filter(branch=place.branch).select_related("order")
    for lens in late(lenses, day=day).order_by("id"):
        promised = lens.order.promised_on
        yield Found(
            key=f"lens-orders/{lens.id}",
            about=f"lens-orders/{lens.id}",
            link=api("lens-orders", lens.id),
            number=lens.number,
            severity=Severity.URGENT if promised <= place.today else Severity.WARNING,
            since=place.start_of(lens.due_on + _SINCE),
            facts={
                "kind": "lens order",
                "due_on": lens.due_on.isoformat(),
                "supplier": str(lens.supplier_id),
                "order": str(lens.order_id),
                "order_number": lens.order.number,
                "promised_on": promised.isoformat(),
            },
        )
    awaited = PurchaseOrder.objects.everywhere("alerts of a branch").filter(
        branch=place.branch, state__in=_AWAITED, expected_on__lt=day
    )
    for order in awaited.order_by("id"):
        expected: Any = order.expected_on
        yield Found(
            key=f"purchase-orders/{order.id}",
            about=f"purchase-orders/{order.id}",
            link=api("purchase-orders", order.id),
            number=order.number,
            severity=(
                Severity.WARNING
                if (place.today - expected).days > given["purchase_order_warning_days"]
                else Severity.NOTICE
            ),
            since=place.start_of(expected + _SINCE),
            facts={"kind": "purchase order", "due_on": expected.isoformat(), "supplier": str(order.supplier_id)},
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    said = f"The {facts['kind']} {number} was due on {facts['due_on']} and has not come."
    if "promised_on" not in facts:
        return said
    return f"{said} Order {facts['order_number']} is promised for {facts['promised_on']}."


CAUSE = Cause(
    name="lens_late",
    title="Late from the supplier",
    action="Ask the supplier for a day; give the customer a new day where the promise cannot be kept.",
    owner_role="manager",
    needs=PurchasingPermission.VIEW,
    thresholds=(
        Threshold("grace_days", "Raised when so many days have passed since the expected day", 0, "days", 0, 60),
        Threshold("purchase_order_warning_days", "A purchase order is a warning when it is later than this", 7, "days"),
    ),
    find=find,
    words=words,
)
