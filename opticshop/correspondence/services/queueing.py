"""Messages: queued once for each thing to tell, withdrawn when the reason has gone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
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
    """Queue one message to a customer (or to the guardian of a child): one for each kind and thing it is about.

    ``values`` fill the kind's placeholders. Nobody to tell, or no channel to tell by, leaves a failed message with the
    reason, so that a person can call. Asked again about the same, the message that there is is given back.
    """
    actor.require(CorrespondencePermission.MANAGE, branch.id)
    with transaction.atomic():
        key = {"customer": customer, "kind": kind.name, "subject_ref": about}
        found = Message.objects.everywhere("by key, permission checked above").filter(**key).first()
        if found is not None:
            return found
        message = Message(branch=branch, channel=branch.message_channel, language=LANGUAGE, purpose=kind.purpose, **key)
        message.values, message.due_at = dict(values), due_at or clock.now()
        try:
            channel = plugins.channel(branch=branch, name=branch.message_channel)
        except DomainError as error:
            _write(message, kind, channel_kind="", obstacle=error.detail)
        else:
            to = reaching.reach(customer, branch, channel)
            message.to = to.to
            message.due_at = reaching.next_allowed(message.due_at, channel.kind, branch.time_zone)
            _write(message, kind, channel_kind=channel.kind, obstacle=to.obstacle, name=str(to.person))
        message.save(force_insert=True)
        event = events.MESSAGE_FAILED if message.state == State.FAILED else events.MESSAGE_QUEUED
        record(event, message, actor, **({"detail": message.detail} if message.detail else {}))
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
