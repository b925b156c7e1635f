"""Recalls: planned when a pair is collected, by the branch's policy; a newer prescription closes the older one's."""

from __future__ import annotations

from typing import Any

from django.db import transaction

from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.models import Customer
from opticshop.orders.models import Order
from opticshop.plugin_api import RecallSubject
from opticshop.pluginhost import services as plugins
from opticshop.prescriptions.models import Prescription

from .. import events
from ..models import Recall
from ..permissions import ReminderPermission

State = Recall.State
NEWER_PRESCRIPTION = "newer prescription"


class RecallAlreadyClosed(Conflict):
    """A recall is closed once; says why it was."""

    code = "reminders.recall_already_closed"
    title = "This recall is closed"


def recall_plan(*, actor: Actor, order: Order) -> Recall | None:
    """Plan when the wearer of a collected pair is called back, from its prescription and the branch's policy.

    One recall is planned for a wearer at a time: that of the newest prescription. None when the wearer asked not to be
    recalled, when the policy gives no day, or when a newer prescription has its recall. Raises PluginNotAvailable.
    """
    actor.require(ReminderPermission.MANAGE, order.branch_id)
    with transaction.atomic():
        rows = Customer.objects.everywhere("of an order, permission checked above").filter(id=order.customer_id)
        [customer] = lock_rows(rows)
        prescription = order.prescription
        known = _recalls().filter(prescription=prescription).first()
        if known is not None:
            return known
        before = _recalls().filter(customer=customer, state=State.PLANNED).select_related("prescription").first()
        if before is not None and before.prescription.issued_on > prescription.issued_on:
            return None
        if before is not None:
            _close(actor, before, NEWER_PRESCRIPTION)
        if not customer.wants_recalls:
            return None
        policy = plugins.recall_policy(branch=order.branch, name=order.branch.recall_policy)
        decision = policy.due_on(_subject(customer, prescription))
        if decision.due_on is None:
            return None
        recall = Recall.objects.create(
            branch=order.branch,
            customer=customer,
            prescription=prescription,
            due_on=decision.due_on,
            policy=policy.name,
            reason=decision.reason[:300],
            source=decision.source[:300],
        )
        _record(
            events.RECALL_PLANNED,
            recall,
            actor,
            prescription=str(prescription.id),
            due_on=recall.due_on.isoformat(),
        )
    return recall


def recall_close(*, actor: Actor, recall: Recall, reason: str) -> Recall:
    """Close a planned recall with the reason: booked, moved away, asked not to be called."""
    actor.require(ReminderPermission.MANAGE, recall.branch_id)
    with transaction.atomic():
        [row] = lock_rows(_recalls().filter(id=recall.id).select_related("customer"))
        if row.state == State.CLOSED:
            raise RecallAlreadyClosed(f"It was closed before: {row.closed_reason}.", field="state")
        _close(actor, row, reason)
    return row


def _close(actor: Actor, recall: Recall, reason: str) -> None:
    recall.state, recall.closed_reason = State.CLOSED, reason
    recall.save(update_fields=["state", "closed_reason"])
    _record(events.RECALL_CLOSED, recall, actor, reason=reason)


def _subject(customer: Customer, prescription: Prescription) -> RecallSubject:
    return RecallSubject(
        date_of_birth=customer.birth_date,
        issued_on=prescription.issued_on,
        expires_on=prescription.expires_on,
        prescriber_interval_months=prescription.recall_months or None,
    )


def _recalls() -> BranchQuerySet[Recall]:
    return Recall.objects.everywhere("of one customer, permission checked by the caller")


def _record(event_type: str, recall: Recall, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"recalls/{recall.id}",
        actor=actor,
        branch_id=recall.branch_id,
        data={"recall": str(recall.id), "customer": str(recall.customer_id), **more},
    )
