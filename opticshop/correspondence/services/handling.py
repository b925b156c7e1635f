"""What a person does with a message: have a failed one sent again, or take one back that waits."""

from __future__ import annotations

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import events
from ..models import MESSAGE_MOVES, Message
from ..permissions import CorrespondencePermission
from .queueing import record, withdraw

State = Message.State


class NotToBeSentAgain(Conflict):
    """Only a message that failed can be sent again; one that was sent, waits or was taken back cannot."""

    code = "correspondence.not_to_be_sent_again"
    title = "This message cannot be sent again"


def message_send_again(*, actor: Actor, message: Message, reason: str) -> Message:
    """Queue a failed message again, by every way that is allowed now.

    It keeps its id, which the channel hands on as the key of the message: where the first attempt did leave after all,
    a carrier that remembers the key refuses the twin. One that never took it sends it.
    """
    actor.require(CorrespondencePermission.MANAGE, message.branch_id)
    with transaction.atomic():
        row = _held(message)
        if row.state != State.FAILED:
            raise NotToBeSentAgain(f"It is {row.state}.", field="state", allowed=[State.FAILED])
        row.state, row.due_at, row.attempts, row.ways_refused = State.QUEUED, clock.now(), 0, ""
        row.detail, row.awaits_batch, row.batch = f"To be sent again: {reason}", False, None
        row.save(update_fields=["state", "due_at", "attempts", "ways_refused", "detail", "awaits_batch", "batch"])
        record(events.MESSAGE_QUEUED, row, actor)
    return row


def message_withdraw(*, actor: Actor, message: Message, reason: str) -> Message:
    """Take back a message that waits; one that is being sent, or was, is not taken back."""
    actor.require(CorrespondencePermission.MANAGE, message.branch_id)
    with transaction.atomic():
        row = _held(message)
        check_move(MESSAGE_MOVES, row.state, State.WITHDRAWN, of="The message")
        withdraw([row], actor, reason)
    return row


def _held(message: Message) -> Message:
    rows = Message.objects.everywhere("by key, permission checked by the caller").filter(id=message.id)
    [row] = lock_rows(rows)
    return row
