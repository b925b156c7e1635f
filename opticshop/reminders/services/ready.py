"""The message that an order is ready to collect."""

from __future__ import annotations

import uuid
from string import Template

from opticshop.core.actor import Actor, system
from opticshop.correspondence import services as correspondence
from opticshop.correspondence.kinds import MessageKind, declare
from opticshop.correspondence.models import Message
from opticshop.correspondence.wording import Wording
from opticshop.orders.models import Order, OrderState
from opticshop.orders.selectors import order_get_for
from opticshop.orders.services import document_of
from opticshop.workshop.selectors import latest_job

from ..permissions import ReminderPermission


def ready_message_queue(*, actor: Actor, order: Order) -> Message | None:
    """Queue the message that an order is ready: one for each attempt at making it, to the wearer or the guardian.

    None when the order is no longer waiting to be collected.
    """
    actor.require(ReminderPermission.MANAGE, order.branch_id)
    if order.state != OrderState.READY:
        return None
    return correspondence.message_queue(
        actor=actor,
        branch=order.branch,
        customer=order.customer,
        kind=READY,
        about=_about(order),
        values={"order_number": order.number},
    )


def ready_messages_withdraw(*, actor: Actor, order: Order, reason: str) -> int:
    """Take back what is queued about an order, because the reason has gone. Returns how many."""
    return correspondence.messages_withdraw(actor=actor, branch=order.branch, about=document_of(order), reason=reason)


def _about(order: Order) -> str:
    """``orders/<id>``; a remade pair is told of again, so a later attempt has its number behind it."""
    job = latest_job(order)
    if job is None or job.attempt == 1:
        return document_of(order)
    return f"{document_of(order)}/attempts/{job.attempt}"


def _gone(message: Message) -> str:
    order = order_get_for(system("reminders"), uuid.UUID(message.subject_ref.split("/")[1]))
    return "" if order.state == OrderState.READY else f"The order is {order.state}."


READY = declare(
    MessageKind(
        name="ready_for_collection",
        title="An order is ready to collect",
        purpose="service",
        placeholders=("order_number",),
        open_placeholders=("order_number",),
        wording=Wording(
            subject=Template("Your order $order_number is ready to collect"),
            long=Template(
                "Dear $name,\n\n"
                "order $order_number is ready for collection at $branch_name$branch_where.\n"
                "Please bring this number with you. We will check the fit when you collect.\n\n"
                "$branch_name"
            ),
            short=Template("$branch_name: order $order_number is ready to collect$branch_where."),
        ),
        gone=_gone,
    )
)
