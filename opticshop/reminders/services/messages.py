"""Messages: queued once for each thing to tell, withdrawn when the reason has gone."""

from __future__ import annotations

from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.orders.models import Order, OrderState
from opticshop.orders.services import document_of
from opticshop.pluginhost import services as plugins
from opticshop.workshop.selectors import latest_job

from .. import events, reaching
from ..models import Message
from ..permissions import ReminderPermission
from ..wording import LANGUAGE, READY, WORDINGS

State = Message.State


def ready_message_queue(*, actor: Actor, order: Order) -> Message | None:
    """Queue the message that an order is ready: one for each attempt at making it, to the wearer or the guardian.

    Nobody to tell, or no channel to tell by, leaves a failed message with the reason, so that a person can call. None
    when the order is no longer waiting to be collected.
    """
    actor.require(ReminderPermission.MANAGE, order.branch_id)
    if order.state != OrderState.READY:
        return None
    with transaction.atomic():
        branch, customer = order.branch, order.customer
        key = {"customer": customer, "kind": READY, "subject_ref": _about(order)}
        found = Message.objects.everywhere("by key, permission checked above").filter(**key).first()
        if found is not None:
            return found
        message = Message(branch=branch, channel=branch.message_channel, language=LANGUAGE, **key)
        message.due_at = clock.now()
        try:
            channel = plugins.channel(branch=branch, name=branch.message_channel)
        except DomainError as error:
            _write(message, order, kind="", obstacle=error.detail)
        else:
            to = reaching.reach(customer, branch, channel)
            message.to = to.to
            message.due_at = reaching.next_allowed(message.due_at, channel.kind, branch.time_zone)
            _write(message, order, kind=channel.kind, obstacle=to.obstacle, name=str(to.person))
        message.save(force_insert=True)
        kind = events.MESSAGE_FAILED if message.state == State.FAILED else events.MESSAGE_QUEUED
        record(kind, message, actor, **({"detail": message.detail} if message.detail else {}))
    return message


def messages_withdraw(*, actor: Actor, order: Order, reason: str) -> int:
    """Take back what is queued about an order, because the reason has gone. Returns how many."""
    actor.require(ReminderPermission.MANAGE, order.branch_id)
    with transaction.atomic():
        queued = Message.objects.everywhere("of an order, permission checked above").filter(
            subject_ref__startswith=document_of(order), state=State.QUEUED
        )
        taken_back = list(queued.select_for_update())
        for message in taken_back:
            withdraw(message, actor, reason)
    return len(taken_back)


def withdraw(message: Message, actor: Actor, reason: str) -> None:
    message.state, message.detail = State.WITHDRAWN, reason
    message.save(update_fields=["state", "detail"])
    record(events.MESSAGE_WITHDRAWN, message, actor, detail=reason)


def record(event_type: str, message: Message, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"messages/{message.id}",
        actor=actor,
        branch_id=message.branch_id,
        data={
            "message": str(message.id),
            "kind": message.kind,
            "about": message.subject_ref,
            "channel": message.channel,
            **more,
        },
    )


def _about(order: Order) -> str:
    """``orders/<id>``; a remade pair is told of again, so a later attempt has its number behind it."""
    job = latest_job(order)
    if job is None or job.attempt == 1:
        return document_of(order)
    return f"{document_of(order)}/attempts/{job.attempt}"


def _write(message: Message, order: Order, *, kind: str, obstacle: str, name: str = "") -> None:
    branch = order.branch
    values = {
        "name": name or "customer",
        "order_number": order.number,
        "branch_name": branch.name,
        "branch_where": _where(branch),
    }
    message.subject, message.body = WORDINGS[READY].written(kind, values)
    if obstacle:
        message.state, message.detail = State.FAILED, obstacle


def _where(branch: Branch) -> str:
    """Address and telephone of the branch, each only where it is on record."""
    parts = [" ".join(branch.address.split()), f"tel. {branch.phone}" if branch.phone else ""]
    return "".join(f", {part}" for part in parts if part)
