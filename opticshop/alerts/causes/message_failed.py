"""A customer could not be told: a message failed, or its carrier says so, and what it was about still stands."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Q

from opticshop.correspondence.models import Message
from opticshop.correspondence.permissions import CorrespondencePermission
from opticshop.orders.models import Order, OrderState

from ..hours import Place
from ..kinds import Severity
from .kit import OUR_CHOICE, Cause, Found, Threshold, Thresholds, api, first_id_at

_OVER = (OrderState.COLLECTED, OrderState.CANCELLED)


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """Two queries: what failed lately, and which of the orders it was about are done with."""
    since = place.now - dt.timedelta(days=given["looks_back_days"])
    rows = Message.objects.everywhere("alerts of a branch").filter(
        branch=place.branch, id__gte=first_id_at(since), created_at__gte=since
    )
    rows = rows.filter(Q(state=Message.State.FAILED) | Q(delivery=Message.Delivery.UNDELIVERED))
    failed = list(rows.only("id", "kind", "purpose", "subject_ref", "customer_id", "created_at").order_by("id"))
    orders = {message.id: _order_of(message.subject_ref) for message in failed}
    wanted = {order for order in orders.values() if order is not None}
    over = set(
        Order.objects.everywhere("alerts of a branch")
        .filter(id__in=wanted, state__in=_OVER)
        .values_list("id", flat=True)
    )
    for message in failed:
        if orders[message.id] in over:
            continue
        yield Found(
            key=f"messages/{message.id}",
            about=f"messages/{message.id}",
            link=api("messages", message.id),
            number=message.kind,
            severity=Severity.WARNING if message.purpose == Message.Purpose.SERVICE else Severity.NOTICE,
            since=message.created_at,
            facts={"subject": message.subject_ref, "customer": str(message.customer_id)},
        )


def _order_of(subject: str) -> uuid.UUID | None:
    """The order a message is about; None where it is about something else."""
    area, _, rest = subject.partition("/")
    try:
        return uuid.UUID(rest[:36]) if area == "orders" else None
    except ValueError:
        return None


def words(number: str, facts: Mapping[str, Any]) -> str:
    return f"The message {number.replace('_', ' ')} about {facts['subject']} did not reach the customer."


CAUSE = Cause(
    name="message_failed",
    title="A customer could not be told",
    action="Telephone the customer and tell them; then close this with what was said.",
    owner_role="counter",
    needs=CorrespondencePermission.VIEW,
    thresholds=(
        Threshold("looks_back_days", "Messages that failed longer ago are let go", 30, "days", 1, 180, OUR_CHOICE),
    ),
    find=find,
    words=words,
    by_hand=True,
)
