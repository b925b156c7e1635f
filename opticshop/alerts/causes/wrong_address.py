"""An address on record that messages do not reach: somebody said that it is wrong, or several messages to it failed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Count, F, Max, Q
from django.db.models.functions import Coalesce

from opticshop.correspondence.models import Message
from opticshop.correspondence.permissions import CorrespondencePermission
from opticshop.customers.contacting import address_of
from opticshop.customers.models import WrongAddress

from ..hours import Place
from ..kinds import Severity
from .kit import OUR_CHOICE, Cause, Found, Threshold, Thresholds, api, first_id_at

_THEIRS = Q(to=F("told__email")) | Q(to=F("told__phone_e164"))
#: Messages older than the column say only whom they are about.
_THE_CUSTOMERS = Q(told=None) & (Q(to=F("customer__email")) | Q(to=F("customer__phone_e164")))
_FAILED = Q(state=Message.State.FAILED) | Q(delivery=Message.Delivery.UNDELIVERED)
_ARRIVED = Q(state=Message.State.SENT) & ~Q(delivery=Message.Delivery.UNDELIVERED)


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """Two queries. Only an address that is still the person's counts, so that putting it right ends the cause."""
    since = place.now - dt.timedelta(days=given["looks_back_days"])
    found = {**_failing(place, since, given["failures"]), **_known_wrong(place, since)}
    for person, (begun, facts) in sorted(found.items()):
        yield Found(
            key=f"customers/{person}",
            about=f"customers/{person}",
            link=api("customers", person),
            number="",
            severity=Severity.NOTICE,
            since=begun,
            facts=facts,
        )


def _known_wrong(place: Place, since: dt.datetime) -> dict[Any, tuple[dt.datetime, dict[str, Any]]]:
    """People whose recorded address is known to be somebody else's."""
    rows = WrongAddress.objects.everywhere("alerts of a branch").filter(
        customer__branch=place.branch,
        customer__merged_into=None,
        id__gte=first_id_at(since),
        created_at__gte=since,
    )
    return {
        row.customer_id: (row.created_at, {"way": str(row.way), "is_known_wrong": True})
        for row in rows.select_related("customer").order_by("id")
        if address_of(row.customer, row.way) == row.address
    }


def _failing(place: Place, since: dt.datetime, failures: int) -> dict[Any, tuple[dt.datetime, dict[str, Any]]]:
    """People to whose address so many messages failed since the last that arrived there."""
    rows = Message.objects.everywhere("alerts of a branch").filter(
        _THEIRS | _THE_CUSTOMERS, branch=place.branch, id__gte=first_id_at(since), created_at__gte=since
    )
    tried = rows.exclude(to="").order_by().annotate(person=Coalesce("told_id", "customer_id")).values("person", "to")
    counted: Any = tried.annotate(
        failures=Count("id", filter=_FAILED),
        last_failed=Max("created_at", filter=_FAILED),
        last_arrived=Max("created_at", filter=_ARRIVED),
    ).filter(failures__gte=failures)
    return {
        row["person"]: (
            row["last_failed"],
            {"way": "email" if "@" in row["to"] else "text", "is_known_wrong": False, "failures": row["failures"]},
        )
        for row in counted
        if row["last_arrived"] is None or row["last_arrived"] <= row["last_failed"]
    }


def words(number: str, facts: Mapping[str, Any]) -> str:
    if facts["is_known_wrong"]:
        return f"The address of a customer for messages by {facts['way']} is not theirs."
    return f"{facts['failures']} messages by {facts['way']} to the address of a customer failed."


CAUSE = Cause(
    name="wrong_address",
    title="An address that messages do not reach",
    action="Ask the customer for the right address at the next contact and put it right on their record.",
    owner_role="counter",
    needs=CorrespondencePermission.VIEW,
    thresholds=(
        Threshold("failures", "Raised when so many messages to the address failed", 2, "messages", 1, 20),
        Threshold("looks_back_days", "Within so many days", 90, "days", 1, 366, OUR_CHOICE),
    ),
    find=find,
    words=words,
    by_hand=True,
)
