"""A pair that comes back after collection: why, which eye, and what is decided about it."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.billing import services as billing
from opticshop.billing.models import Payment
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.orders.causes import bearer_of
from opticshop.orders.models import Order, OrderState
from opticshop.workshop import services as workshop

from .. import events
from ..models import Handover, PairReturn
from ..permissions import QualityPermission

Decision = PairReturn.Decision


class NotCollected(Conflict):
    """Only a pair that the customer has can come back; says where the order stands."""

    code = "quality.not_collected"
    title = "The customer does not have this pair"


class ReturnStillOpen(Conflict):
    """A return of this order waits for its decision; names it."""

    code = "quality.return_still_open"
    title = "A return of this order is not decided yet"


class ReturnDecided(Conflict):
    """The return was decided before; says how."""

    code = "quality.return_decided"
    title = "This return is decided"


class RefundNeedsPayment(Invalid):
    """Money goes back by the payment it came with: name a payment of this order, and only for a refund."""

    code = "quality.refund_needs_payment"
    title = "Name a payment of this order"


def return_record(*, actor: Actor, order: Order, cause: str, eye: str, words: str) -> PairReturn:
    """Take a collected pair back in. Nothing is decided yet. Raises NotCollected, ReturnStillOpen."""
    actor.require(QualityPermission.HANDOVER, order.branch_id)
    with transaction.atomic():
        [order] = lock_rows(Order.objects.everywhere("by key, authorised above").filter(id=order.id))
        if order.state != OrderState.COLLECTED:
            raise NotCollected(f"Order {order.number} is {order.state}.", field="order", allowed=["collected"])
        returns = PairReturn.objects.everywhere("of an order the caller may see").filter(order=order)
        if (waiting := returns.filter(decision="").first()) is not None:
            raise ReturnStillOpen(field="order", allowed=["decide"], waiting=str(waiting.id))
        handovers = Handover.objects.everywhere("of an order the caller may see").filter(order=order)
        found = PairReturn.objects.create(
            branch_id=order.branch_id,
            order=order,
            handover=handovers.order_by("-id").first(),
            cause=cause,
            eye=eye,
            words=words,
            reported_at=clock.now(),
            reported_by_id=actor.id,
        )
        _record(events.PAIR_RETURNED, found, actor, cause=cause, eye=eye)
    return found


def return_decide(
    *,
    actor: Actor,
    found: PairReturn,
    decision: str,
    note: str,
    borne_by: str = "",
    eyes: Sequence[str] | None = None,
    branch: Branch | None = None,
    payment: Payment | None = None,
    amount: Decimal | None = None,
) -> PairReturn:
    """Decide a return and carry the decision out in one transaction.

    ``remake`` opens a further job (of the eyes named, at the branch named); ``refund`` gives a payment back, in part or
    whole; ``adjust`` and ``refuse`` are only recorded. The rights to work and to refund are those of their own use
    cases. Raises ReturnDecided, RefundNeedsPayment, and what opening a job or refunding refuses.
    """
    actor.require(QualityPermission.DECIDE_RETURN, found.branch_id)
    with transaction.atomic():
        orders = Order.objects.everywhere("of a return, authorised above").filter(id=found.order_id)
        [order] = lock_rows(orders.select_related("branch"))
        rows = PairReturn.objects.everywhere("by key, authorised above").filter(id=found.id)
        [found] = lock_rows(rows.select_related("branch"))
        if found.decision:
            raise ReturnDecided(f"It was decided: {found.get_decision_display()}.", field="decision")
        found.borne_by = bearer_of(found.cause, borne_by)
        if (payment is not None and payment.order_id == order.id) != (decision == Decision.REFUND):
            raise RefundNeedsPayment(field="payment")
        if decision == Decision.REMAKE:
            found.job = workshop.job_open(
                actor=actor,
                order=order,
                remake_reason=f"Returned: {found.words}"[:300],
                cause=found.cause,
                borne_by=found.borne_by,
                eyes=eyes or found.eyes_meant,
                branch=branch,
            )
        elif payment is not None:
            found.refund = billing.payment_refund(actor=actor, payment=payment, amount=amount, reason=note)
        found.decision, found.decision_note = Decision(decision), note
        found.decided_at, found.decided_by_id = clock.now(), actor.id
        found.version += 1
        found.save()
        _record(
            events.RETURN_DECIDED,
            found,
            actor,
            decision=decision,
            borne_by=found.borne_by,
            job=None if found.job_id is None else str(found.job_id),
            refund=None if found.refund_id is None else str(found.refund_id),
        )
    return found


def _record(event_type: str, found: PairReturn, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"returns/{found.id}",
        actor=actor,
        branch_id=found.branch_id,
        data={"return": str(found.id), "order": str(found.order_id), **more},
    )
