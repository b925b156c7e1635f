"""An address on record that messages do not reach: several in a row failed, and it is still the customer's."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Count, F, Max, Q

from opticshop.correspondence.models import Message
from opticshop.correspondence.permissions import CorrespondencePermission

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds, api, first_id_at

_OURS = Q(to=F("customer__email")) | Q(to=F("customer__phone_e164"))


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """One query. Only an address that is the customer's own counts, so that putting it right ends the cause."""
    since = place.now - dt.timedelta(days=given["looks_back_days"])
    rows = Message.objects.everywhere("alerts of a branch").filter(
        _OURS,
        branch=place.branch,
        id__gte=first_id_at(since),
        created_at__gte=since,
        state__in=[Message.State.FAILED, Message.State.SENT],
    )
    failed, sent = Q(state=Message.State.FAILED), Q(state=Message.State.SENT)
    tried = rows.exclude(to="").order_by().values("customer_id", "to")
    counted: Any = tried.annotate(
        failures=Count("id", filter=failed),
        last_failed=Max("created_at", filter=failed),
        last_sent=Max("created_at", filter=sent),
    ).filter(failures__gte=given["failures"])
    worst: dict[Any, dict[str, Any]] = {}
    for row in counted:
        if row["last_sent"] is not None and row["last_sent"] > row["last_failed"]:
            continue  # the last one arrived
        if row["failures"] > worst.get(row["customer_id"], {"failures": 0})["failures"]:
            worst[row["customer_id"]] = row
    for customer, row in sorted(worst.items()):
        yield Found(
            key=f"customers/{customer}",
            about=f"customers/{customer}",
            link=api("customers", customer),
            number="",
            severity=Severity.NOTICE,
            since=row["last_failed"],
            facts={"failures": row["failures"], "kind": "email" if "@" in row["to"] else "phone"},
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    return f"{facts['failures']} messages to the {facts['kind']} address of a customer failed."


CAUSE = Cause(
    name="wrong_address",
    title="An address that messages do not reach",
    action="Ask the customer for the right address at the next contact and put it right on their record.",
    owner_role="counter",
    needs=CorrespondencePermission.VIEW,
    thresholds=(
        Threshold("failures", "Raised when so many messages to the address failed", 2, "messages", 1, 20),
        Threshold("looks_back_days", "Within so many days", 90, "days", 1, 366),
    ),
    find=find,
    words=words,
    by_hand=True,
)
