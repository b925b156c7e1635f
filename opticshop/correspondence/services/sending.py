"""Sending what is due: the attempt is committed before the channel is called, the outcome after.

Policy where the outcome is not known (the channel says so, or the process died while sending): the message is marked
failed with what is known and never sent again by itself; a person asks the customer. Only "certainly not sent" is
tried again, with growing pauses.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid

from django.db import connection, transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.core.scoping import BranchQuerySet
from opticshop.plugin_api import OutboundMessage, SendOutcome
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.services import BoundChannel

from .. import events, reaching
from ..kinds import kind_named
from ..models import Message
from .queueing import record, withdraw

log = logging.getLogger("opticshop.correspondence")
State = Message.State
MAX_ATTEMPTS = 8
LONGEST_PAUSE = dt.timedelta(hours=6)
#: A message that has been "sending" for longer belongs to a process that died.
SENDING_TAKES_AT_MOST = dt.timedelta(minutes=15)
NOT_KNOWN = "It is not known whether this was sent; it is not sent again. Ask the customer."


def send_due(*, actor: Actor, limit: int = 100) -> int:
    """Send the messages that are due, oldest first; returns how many were handled. Safe to run twice at once."""
    handled = _give_up_lost(actor)
    due = _messages().filter(state=State.QUEUED, due_at__lte=clock.now())
    for message_id in list(due.order_by("due_at", "id").values_list("id", flat=True)[:limit]):
        handled += _send_one(actor, message_id)
    return handled


def _send_one(actor: Actor, message_id: uuid.UUID) -> int:
    claimed = _claim(actor, message_id)
    if claimed is None:
        return 0
    message, channel = claimed
    if channel is None:
        return 1
    outcome = channel.send(
        OutboundMessage(
            id=str(message.id),
            to=message.to,
            subject=message.subject,
            body=message.body,
            language=message.language,
            purpose="marketing" if message.purpose == Message.Purpose.MARKETING else "service",
            branch_name=message.branch.name,
        )
    )
    with transaction.atomic():
        [message] = _messages().select_for_update(of=("self",)).filter(id=message_id)
        if message.state == State.SENDING:
            _settle(actor, message, outcome, channel.kind)
    return 1


def _claim(actor: Actor, message_id: uuid.UUID) -> tuple[Message, BoundChannel | None] | None:
    """Take one due message and commit the attempt. None if it was not ours, no channel if it is not to be sent now."""
    with transaction.atomic():
        rows = _messages().filter(id=message_id, state=State.QUEUED, due_at__lte=clock.now())
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, of=("self",))
        message = rows.first()
        if message is None:
            return None
        if gone := kind_named(message.kind).gone(message):
            withdraw(message, actor, gone)
            return message, None
        message.attempts += 1
        message.attempted_at = clock.now()
        try:
            channel = plugins.channel(branch=message.branch, name=message.channel)
        except DomainError as error:
            _settle(actor, message, SendOutcome(state="retry", detail=error.detail), "")
            return message, None
        to = reaching.reach(message.customer, message.branch, channel)
        if to.obstacle:
            withdraw(message, actor, to.obstacle)
            return message, None
        message.state, message.to = State.SENDING, to.to
        message.save(update_fields=["state", "to", "attempts", "attempted_at"])
    return message, channel


def _settle(actor: Actor, message: Message, outcome: SendOutcome, channel_kind: str) -> None:
    """Write what became of an attempt."""
    message.detail, event = outcome.detail, events.MESSAGE_FAILED
    if outcome.state == "sent":
        message.state, message.sent_at, event = State.SENT, clock.now(), events.MESSAGE_SENT
        message.provider_reference = (outcome.provider_reference or "")[:200]
    elif outcome.state == "retry" and message.attempts < MAX_ATTEMPTS:
        message.state = State.QUEUED
        pause = min(LONGEST_PAUSE, dt.timedelta(minutes=2**message.attempts))
        message.due_at = reaching.next_allowed(clock.now() + pause, channel_kind, message.branch.time_zone)
    else:
        message.state = State.FAILED
        if outcome.state == "unknown":
            message.detail = f"{NOT_KNOWN} {outcome.detail}".strip()
    message.save(
        update_fields=["state", "sent_at", "provider_reference", "detail", "due_at", "attempts", "attempted_at"]
    )
    if message.state != State.QUEUED:
        record(event, message, actor, **({"detail": message.detail} if message.detail else {}))


def _give_up_lost(actor: Actor) -> int:
    """Fail what has been "sending" for too long: the process that sent it never came back to say how it went."""
    lost = _messages().filter(state=State.SENDING, attempted_at__lt=clock.now() - SENDING_TAKES_AT_MOST)
    with transaction.atomic():
        rows = list(lost.select_for_update(of=("self",)))
        for message in rows:
            log.error("message %s was being sent when its process ended", message.id)
            _settle(actor, message, SendOutcome(state="unknown"), "")
    return len(rows)


def _messages() -> BranchQuerySet[Message]:
    rows = Message.objects.everywhere("the duty sends for every branch")
    return rows.select_related("branch", "customer__guardian")
