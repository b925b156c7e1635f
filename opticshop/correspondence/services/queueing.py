"""Messages: queued once for each thing to tell, withdrawn when the reason has gone."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.customers.models import Customer
from opticshop.pluginhost import services as plugins

from .. import events, reaching
from ..kinds import MessageKind
from ..models import Message
from ..permissions import CorrespondencePermission
from ..wording import LANGUAGE

State = Message.State
#: (customer, kind, what it is about)
Key = tuple[uuid.UUID, str, str]
#: How many drafts are looked up and written at once.
CHUNK = 500


@dataclass(frozen=True, slots=True)
class Draft:
    """One thing to tell one customer. ``ways`` is the order in which ways are tried after the one that is preferred."""

    customer: Customer
    kind: MessageKind
    about: str
    values: Mapping[str, str]
    due_at: dt.datetime | None = None
    ways: Sequence[str] = ()


def message_queue(
    *,
    actor: Actor,
    branch: Branch,
    customer: Customer,
    kind: MessageKind,
    about: str,
    values: Mapping[str, str],
    due_at: dt.datetime | None = None,
) -> Message:
    """Queue one message to a customer: ``messages_queue`` for one draft."""
    [message] = messages_queue(actor=actor, branch=branch, drafts=[Draft(customer, kind, about, values, due_at)])
    return message


def messages_queue(*, actor: Actor, branch: Branch, drafts: Sequence[Draft]) -> list[Message]:
    """Queue messages of a branch, in the order of the drafts: one for each customer, kind and thing it is about.

    The values fill the kind's placeholders. Nobody to tell, or no channel to tell by, leaves a failed message with the
    reason, so that a person can call. What was queued before is given back as it is. All or nothing; the number of
    queries does not grow with the drafts up to ``CHUNK``.
    """
    actor.require(CorrespondencePermission.MANAGE, branch.id)
    done: list[Message] = []
    with transaction.atomic():
        for start in range(0, len(drafts), CHUNK):
            done += _queue_chunk(actor, branch, drafts[start : start + CHUNK])
    return done


def _queue_chunk(actor: Actor, branch: Branch, drafts: Sequence[Draft]) -> list[Message]:
    keys = [(draft.customer.id, draft.kind.name, draft.about) for draft in drafts]
    known = _by_key(keys)
    fresh = {key: draft for key, draft in zip(keys, drafts, strict=True) if key not in known}
    if fresh:
        made = {key: _made(branch, draft) for key, draft in fresh.items()}
        Message.objects.everywhere("inserted").bulk_create(made.values(), ignore_conflicts=True)
        # Somebody else may have queued the same in the meantime: what is in the table is what counts.
        known |= _by_key(list(fresh))
        record_many([known[key] for key, message in made.items() if known[key].id == message.id], actor)
    return [known[key] for key in keys]


def _by_key(keys: Sequence[Key]) -> dict[Key, Message]:
    customers, kinds, abouts = (set(column) for column in zip(*keys, strict=True))
    rows = Message.objects.everywhere("by key, permission checked before").filter(
        customer_id__in=customers, kind__in=kinds, subject_ref__in=abouts
    )
    return {(row.customer_id, row.kind, row.subject_ref): row for row in rows}


def _made(branch: Branch, draft: Draft) -> Message:
    kind = draft.kind
    message = Message(
        branch=branch,
        customer=draft.customer,
        kind=kind.name,
        subject_ref=draft.about,
        channel=branch.message_channel,
        language=LANGUAGE,
        purpose=kind.purpose,
        values=dict(draft.values),
        due_at=draft.due_at or clock.now(),
    )
    try:
        channel = plugins.channel(branch=branch, name=branch.message_channel)
    except DomainError as error:
        _write(message, kind, channel_kind="", obstacle=error.detail)
    else:
        to = reaching.reach(draft.customer, branch, channel)
        message.to = to.to
        message.due_at = reaching.next_allowed(message.due_at, channel.kind, branch.time_zone)
        _write(message, kind, channel_kind=channel.kind, obstacle=to.obstacle, name=str(to.person))
    return message


def messages_withdraw(*, actor: Actor, branch: Branch, about: str, reason: str) -> int:
    """Take back what is queued about a thing, because the reason has gone. Returns how many."""
    actor.require(CorrespondencePermission.MANAGE, branch.id)
    with transaction.atomic():
        queued = Message.objects.everywhere("about one thing, permission checked above").filter(
            subject_ref__startswith=about, state=State.QUEUED
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
    outbox.record_many(actor=actor, happenings=[_happening(event_type, message, **more)])


def record_many(messages: Sequence[Message], actor: Actor) -> None:
    """Tell of messages that were queued, or could not be."""
    outbox.record_many(
        actor=actor,
        happenings=[
            _happening(events.MESSAGE_FAILED, message, detail=message.detail)
            if message.state == State.FAILED
            else _happening(events.MESSAGE_QUEUED, message)
            for message in messages
        ],
    )


def _happening(event_type: str, message: Message, **more: Any) -> outbox.Happening:
    return outbox.Happening(
        event_type=event_type,
        subject=f"messages/{message.id}",
        branch_id=message.branch_id,
        data={
            "message": str(message.id),
            "kind": message.kind,
            "about": message.subject_ref,
            "channel": message.channel,
            **more,
        },
    )


def _write(message: Message, kind: MessageKind, *, channel_kind: str, obstacle: str, name: str = "") -> None:
    branch = message.branch
    values = {
        **message.values,
        "name": name or "customer",
        "branch_name": branch.name,
        "branch_where": _where(branch),
    }
    message.subject, message.body = kind.wording.written(channel_kind, values)
    if obstacle:
        message.state, message.detail = State.FAILED, obstacle


def _where(branch: Branch) -> str:
    """Address and telephone of the branch, each only where it is on record."""
    parts = [" ".join(branch.address.split()), f"tel. {branch.phone}" if branch.phone else ""]
    return "".join(f", {part}" for part in parts if part)
