"""Letters: gathered to one document, printed, posted by a person, who says so."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move
from opticshop.pluginhost import services as plugins

from .. import events
from ..desk import Desk, outbound
from ..models import BATCH_MOVES, LetterBatch, Message
from ..permissions import CorrespondencePermission
from .queueing import record_all
from .sending import prepare

State = Message.State
MANAGE = CorrespondencePermission.MANAGE
BATCH_AT_MOST = 500


class NothingToPost(Conflict):
    """No letter is due by this channel at the branch."""

    code = "correspondence.nothing_to_post"
    title = "No letter is due"


class ChannelDoesNotBatch(Invalid):
    """Letters are gathered only for a channel that makes one document of many."""

    code = "correspondence.channel_does_not_batch"
    title = "This channel sends each message on its own"


class NotPrinted(Conflict):
    """A batch is posted after its document has been fetched: what was never printed was not posted."""

    code = "correspondence.not_printed"
    title = "The document of this batch was never fetched"


class PostedInTheFuture(Invalid):
    """Letters are said to be posted on a day that has not come, or before they were gathered."""

    code = "correspondence.posted_day_implausible"
    title = "The letters cannot have been posted on that day"


def batch_make(*, actor: Actor, branch: Branch, channel: str) -> LetterBatch:
    """Gather the letters that are due at the branch by the channel, the oldest first, at most BATCH_AT_MOST.

    Each is looked at anew: whose reason has gone is withdrawn, who is told by another way now is left to that.
    Raises PluginNotAvailable, ChannelDoesNotBatch, NothingToPost.
    """
    actor.require(MANAGE, branch.id)
    if not plugins.channel(branch=branch, name=channel).batches:
        raise ChannelDoesNotBatch(f"The channel {channel} does not gather letters.", field="channel")
    with transaction.atomic():
        due = Message.objects.everywhere("of one branch, permission checked above").filter(
            branch=branch, channel=channel, state=State.QUEUED, awaits_batch=True, due_at__lte=clock.now()
        )
        keys = list(due.order_by("priority", "due_at", "id").values_list("id", flat=True)[:BATCH_AT_MOST])
        rows = Message.objects.everywhere("of one branch, permission checked above").filter(
            id__in=keys, state=State.QUEUED
        )
        desk = Desk(branch)
        gathered = []
        for message in sorted(lock_rows(rows.select_related("branch")), key=lambda row: keys.index(row.id)):
            plan = prepare(actor, message, desk)
            if plan is not None and message.channel == channel:
                gathered.append(message)
            elif plan is not None:  # another channel that batches
                message.state = State.QUEUED
                message.save(update_fields=["state"])
        if not gathered:
            raise NothingToPost(f"No letter is due by {channel}.", field="channel")
        batch = LetterBatch.objects.create(
            branch=branch, channel=channel, count=len(gathered), made_by=actor.label[:200]
        )
        Message.objects.everywhere("held above").filter(id__in=[row.id for row in gathered]).update(batch=batch)
        _record(events.BATCH_MADE, batch, actor)
    return batch


def batch_document(*, actor: Actor, batch: LetterBatch) -> bytes:
    """The document; composed outside any transaction when it is first asked for, and kept.

    Raises PluginNotAvailable, PluginRefused for a letter that cannot be printed (put the batch back and withdraw that
    one), PluginDefect.
    """
    actor.require(CorrespondencePermission.VIEW, batch.branch_id)
    if batch.document is not None:
        return bytes(batch.document)
    rows = Message.objects.everywhere("of one batch, permission checked above").filter(batch=batch)
    letters = list(rows.select_related("branch", "customer", "told").order_by("priority", "due_at", "id"))
    channel = plugins.channel(branch=batch.branch, name=batch.channel)
    document = channel.compose([outbound(letter, channel) for letter in letters])
    with transaction.atomic():
        mine = LetterBatch.objects.everywhere("by key, permission checked above").filter(id=batch.id)
        mine.filter(document=None, state=LetterBatch.State.MADE).update(document=document)
    batch.refresh_from_db()
    return bytes(batch.document) if batch.document is not None else document


def batch_posted(*, actor: Actor, batch: LetterBatch, posted_on: dt.date | None = None) -> LetterBatch:
    """The letters were posted, today or on the day stated: each is sent. Raises NotPrinted, PostedInTheFuture."""
    actor.require(MANAGE, batch.branch_id)
    with transaction.atomic():
        row = _held(batch)
        check_move(BATCH_MOVES, row.state, LetterBatch.State.POSTED, of="The batch")
        if row.document is None:
            raise NotPrinted("Fetch the document, print it, and post it first.", field="state")
        today = clock.today(row.branch.time_zone)
        day = posted_on or today
        if not row.created_at.astimezone(dt.UTC).date() - dt.timedelta(days=1) <= day <= today:
            raise PostedInTheFuture(f"It was made on {row.created_at:%Y-%m-%d}; today is {today}.", field="posted_on")
        row.state, row.posted_on, row.closed_by = LetterBatch.State.POSTED, day, actor.label[:200]
        row.save(update_fields=["state", "posted_on", "closed_by"])
        letters = _letters(row)
        for letter in letters:
            letter.state, letter.sent_at = State.SENT, clock.now()
        Message.objects.everywhere("held above").bulk_update(letters, ["state", "sent_at"])
        record_all([(events.MESSAGE_SENT, letter, {}) for letter in letters], actor)
        _record(events.BATCH_POSTED, row, actor, posted_on=day.isoformat())
    return row


def batch_void(*, actor: Actor, batch: LetterBatch, reason: str) -> LetterBatch:
    """The letters were not posted: each waits again, and the document is thrown away."""
    actor.require(MANAGE, batch.branch_id)
    with transaction.atomic():
        row = _held(batch)
        check_move(BATCH_MOVES, row.state, LetterBatch.State.VOID, of="The batch")
        row.state, row.document = LetterBatch.State.VOID, None
        row.closed_by, row.closed_reason = actor.label[:200], reason
        row.save(update_fields=["state", "document", "closed_by", "closed_reason"])
        letters = _letters(row)
        for letter in letters:
            letter.state, letter.batch = State.QUEUED, None
        Message.objects.everywhere("held above").bulk_update(letters, ["state", "batch"])
        _record(events.BATCH_VOID, row, actor, reason=reason)
    return row


def _held(batch: LetterBatch) -> LetterBatch:
    rows = LetterBatch.objects.everywhere("by key, permission checked by the caller").filter(id=batch.id)
    [row] = lock_rows(rows.select_related("branch"))
    return row


def _letters(batch: LetterBatch) -> list[Message]:
    rows = Message.objects.everywhere("of a batch that is held").filter(batch=batch, state=State.SENDING)
    return lock_rows(rows)


def _record(event_type: str, batch: LetterBatch, actor: Actor, **more: str) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"letter-batches/{batch.id}",
        actor=actor,
        branch_id=batch.branch_id,
        data={"batch": str(batch.id), "channel": batch.channel, "count": batch.count, **more},
    )
