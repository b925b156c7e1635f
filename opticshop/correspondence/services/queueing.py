"""Messages: queued once for each thing to tell, withdrawn when the reason has gone."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Q

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid
from opticshop.customers.contacting import with_contact_facts
from opticshop.customers.models import Customer, Way

from .. import events, reaching
from ..desk import Desk, apply
from ..kinds import MessageKind
from ..models import Message
from ..permissions import CorrespondencePermission
from ..wording import one_line

State = Message.State
#: (customer, kind, what it is about)
Key = tuple[uuid.UUID, str, str]
#: How many drafts are looked up and written at once.
CHUNK = 500
#: What is about somebody's own order goes before invitations, and these before anything that promotes.
PRIORITY = {"service": 0, "recall": 1, "marketing": 2}


NOT_KNOWN = "It is not known whether this was sent; it is not sent again. Ask the customer."


class WayUnknown(Invalid):
    """A message is to be tried by a way that there is not."""

    code = "correspondence.way_unknown"
    title = "This way is not known"


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
    queries does not grow with the drafts up to ``CHUNK``. Raises WayUnknown.
    """
    actor.require(CorrespondencePermission.MANAGE, branch.id)
    unknown = sorted({way for draft in drafts for way in draft.ways} - set(Way.values))
    if unknown:
        raise WayUnknown(f"There is no way called {unknown[0]}.", field="ways", allowed=list(Way.values))
    done: list[Message] = []
    with transaction.atomic():
        desk = Desk(branch)
        for start in range(0, len(drafts), CHUNK):
            done += _queue_chunk(actor, desk, drafts[start : start + CHUNK])
    return done


def messages_withdraw(*, actor: Actor, branch: Branch, about: str, reason: str) -> int:
    """Take back what is queued about a thing, or about a part of it, because the reason has gone. Returns how many."""
    actor.require(CorrespondencePermission.MANAGE, branch.id)
    with transaction.atomic():
        queued = Message.objects.everywhere("about one thing, permission checked above").filter(
            Q(subject_ref=about) | Q(subject_ref__startswith=f"{about}/"), state=State.QUEUED
        )
        taken_back = list(queued.select_for_update())
        withdraw(taken_back, actor, reason)
    return len(taken_back)


def withdraw(messages: Sequence[Message], actor: Actor, reason: str) -> None:
    """Take back messages whose rows are held by the transaction."""
    for message in messages:
        message.state, message.detail = State.WITHDRAWN, reason
    Message.objects.everywhere("rows held by the caller").bulk_update(messages, ["state", "detail"])
    record_all([(events.MESSAGE_WITHDRAWN, message, {"detail": reason}) for message in messages], actor)


def record(event_type: str, message: Message, actor: Actor, **more: Any) -> None:
    record_all([(event_type, message, more)], actor)


def record_all(events_of: Sequence[tuple[str, Message, Mapping[str, Any]]], actor: Actor) -> None:
    """Events of messages, in a number of queries that does not grow with them."""
    outbox.record_many(
        actor=actor,
        happenings=[
            outbox.Happening(
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
            for event_type, message, more in events_of
        ],
    )


def _queue_chunk(actor: Actor, desk: Desk, drafts: Sequence[Draft]) -> list[Message]:
    keys = [(draft.customer.id, draft.kind.name, draft.about) for draft in drafts]
    known = _by_key(keys)
    fresh = {key: draft for key, draft in zip(keys, drafts, strict=True) if key not in known}
    if fresh:
        customers = Customer.objects.everywhere("named by the caller").filter(id__in={key[0] for key in fresh})
        loaded = {customer.id: customer for customer in with_contact_facts(customers)}
        made = {key: _made(desk, draft, loaded[key[0]]) for key, draft in fresh.items()}
        Message.objects.everywhere("inserted").bulk_create(made.values(), ignore_conflicts=True)
        # Somebody else may have queued the same in the meantime: what is in the table is what counts.
        known |= _by_key(list(fresh))
        mine = [known[key] for key, message in made.items() if known[key].id == message.id]
        record_all([_queued_or_failed(message) for message in mine], actor)
    return [known[key] for key in keys]


def _by_key(keys: Sequence[Key]) -> dict[Key, Message]:
    customers, kinds, abouts = (set(column) for column in zip(*keys, strict=True))
    rows = Message.objects.everywhere("by key, permission checked before").filter(
        customer_id__in=customers, kind__in=kinds, subject_ref__in=abouts
    )
    return {(row.customer_id, row.kind, row.subject_ref): row for row in rows}


def _made(desk: Desk, draft: Draft, customer: Customer) -> Message:
    message = Message(
        branch=desk.branch,
        customer=customer,
        kind=draft.kind.name,
        subject_ref=draft.about,
        channel=desk.branch.message_channel,
        purpose=draft.kind.purpose,
        priority=PRIORITY[draft.kind.purpose],
        values={name: one_line(value) for name, value in draft.values.items()},
        ways=",".join(dict.fromkeys(draft.ways)),
        due_at=draft.due_at or clock.now(),
    )
    plan = desk.plan(message)
    apply(plan, message)
    if plan.obstacle:
        message.state, message.detail = State.FAILED, plan.obstacle
    else:
        message.due_at = reaching.next_allowed(message.due_at, plan.way, desk.branch.time_zone)
    return message


def _queued_or_failed(message: Message) -> tuple[str, Message, Mapping[str, Any]]:
    if message.state == State.FAILED:
        return events.MESSAGE_FAILED, message, {"detail": message.detail}
    return events.MESSAGE_QUEUED, message, {}
