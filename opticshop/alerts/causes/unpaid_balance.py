"""Money still owed for spectacles that the customer has had."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from opticshop.billing.permissions import BillingPermission
from opticshop.billing.selectors import supplied_and_owing

from ..hours import Place
from ..kinds import Severity
from .kit import OUR_CHOICE, Cause, Found, Threshold, Thresholds, api, growing


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """One query."""
    first = given["notice_days"]
    steps = (
        (first, Severity.NOTICE),
        (given["warning_days"], Severity.WARNING),
        (given["urgent_days"], Severity.URGENT),
    )
    owing = supplied_and_owing(
        place.branch,
        collected_from=place.start_of(place.today - dt.timedelta(days=given["looks_back_days"])),
        collected_before=place.start_of(place.today - dt.timedelta(days=first - 1)),
    )
    for order in owing:
        day = place.day_of(order.collected_at)
        severity = growing((place.today - day).days, steps)
        if severity is None:
            continue
        yield Found(
            key=f"orders/{order.id}",
            about=f"orders/{order.id}",
            link=api("balances", order.id),
            number=order.number,
            severity=severity,
            since=order.collected_at,
            facts={
                "collected_on": day.isoformat(),
                "due": f"{order.owed:.2f}",
                "currency": order.currency,
                "customer": str(order.customer_id),
            },
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    return f"Order {number} was collected on {facts['collected_on']}; {facts['due']} {facts['currency']} is still owed."


CAUSE = Cause(
    name="unpaid_balance",
    title="Unpaid balance",
    action="Telephone the customer about the balance; take the payment, or give the debt up with a reason.",
    owner_role="manager",
    needs=BillingPermission.VIEW,
    thresholds=(
        Threshold("notice_days", "Raised when collected for so many days and not paid", 7, "days", 1),
        Threshold("warning_days", "A warning from so many days", 30, "days", 1),
        Threshold("urgent_days", "Urgent from so many days", 90, "days", 1, 1830),
        Threshold("looks_back_days", "Older debts are left to the bookkeeper", 400, "days", 30, 3660, OUR_CHOICE),
    ),
    find=find,
    words=words,
)
