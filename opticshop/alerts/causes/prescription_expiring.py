"""A pair still to be made to a prescription that runs out: before the promised day, or soon."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import F, Q

from opticshop.orders.models import Order
from opticshop.orders.selectors import TO_BE_MADE
from opticshop.prescriptions.permissions import PrescriptionPermission

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds, api


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """One query."""
    soon = place.today + dt.timedelta(days=given["days_ahead"])
    orders = Order.objects.everywhere("alerts of a branch").filter(branch=place.branch, state__in=TO_BE_MADE)
    running_out = orders.filter(
        Q(prescription__expires_on__lt=F("promised_on")) | Q(prescription__expires_on__lte=soon)
    )
    for order in running_out.select_related("prescription").order_by("id"):
        expires_on = order.prescription.expires_on
        begins = place.start_of(expires_on - dt.timedelta(days=given["days_ahead"]))
        if expires_on < place.today:
            severity = Severity.URGENT
        else:
            severity = Severity.WARNING if expires_on < order.promised_on else Severity.NOTICE
        yield Found(
            key=f"orders/{order.id}",
            about=f"orders/{order.id}",
            link=api("orders", order.id),
            number=order.number,
            severity=severity,
            since=max(order.placed_at, min(place.now, begins)),
            facts={
                "prescription": str(order.prescription_id),
                "expires_on": expires_on.isoformat(),
                "promised_on": order.promised_on.isoformat(),
            },
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    return (
        f"The prescription of order {number} can be used until {facts['expires_on']}; "
        f"the pair is promised for {facts['promised_on']}."
    )


CAUSE = Cause(
    name="prescription_expiring",
    title="Prescription running out on an open order",
    action="Make this pair first, or invite the customer to a new sight test.",
    owner_role="counter",
    needs=PrescriptionPermission.VIEW,
    thresholds=(
        Threshold("days_ahead", "Raised when the prescription runs out within so many days", 7, "days", 0, 180),
    ),
    find=find,
    words=words,
)
