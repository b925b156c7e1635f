"""What carriers call us with: what became of messages, and what people wrote back. Each of their ids counts once."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from email.utils import parseaddr
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError, NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers import services as customers
from opticshop.customers.contacting import address_of
from opticshop.customers.models import ContactRefusal, Customer, Way
from opticshop.plugin_api import DeliveryReport, IncomingReply
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.errors import PluginNotAvailable, PluginRefused
from opticshop.pluginhost.services import BoundChannel

from .. import events, unsubscribing
from ..models import DeliveryNote, Message, Reply
from ..replies import Meaning, meaning_of
from .queueing import NOT_KNOWN, record, record_all, withdraw

State, Delivery = Message.State, Message.Delivery
NOT_DELIVERED = "The carrier says that it was not delivered."
#: A report that comes before we have written down the carrier's reference is looked at again for so long.
MATCHED_WITHIN = dt.timedelta(days=1)
#: Who was written to at the address of a reply is looked for among the newest so many messages.
LOOKED_THROUGH = 50


class CallbackNotProved(DomainError):
    """The call does not carry a signature that proves it to be the carrier's, or cannot be read."""

    code = "correspondence.callback_not_proved"
    title = "This call is not known to be the carrier's"
    status = 401


def callback_take(*, actor: Actor, branch_code: str, channel: str, headers: Mapping[str, str], body: bytes) -> int:
    """Take in a call of a carrier; returns how many of its parts were new.

    Raises NotFound for a branch or channel that is not there, CallbackNotProved for what the channel does not believe.
    """
    branch = Branch.objects.filter(code=branch_code, is_active=True).first()
    if branch is None:
        raise NotFound("There is no such channel here.")
    try:
        bound = plugins.channel(branch=branch, name=channel)
        said = bound.read_callback(headers, body)
    except PluginNotAvailable as error:
        raise NotFound("There is no such channel here.") from error
    except PluginRefused as error:
        raise CallbackNotProved(error.detail) from error
    with transaction.atomic():
        new = sum(_report(actor, branch, bound, one) for one in said if isinstance(one, DeliveryReport))
        new += sum(_reply(actor, branch, bound, one) for one in said if isinstance(one, IncomingReply))
    return new


def reports_match(*, actor: Actor, limit: int = 500) -> int:
    """Find the messages of reports that came before their reference was known. Returns how many were found."""
    matched = 0
    with transaction.atomic():
        notes = DeliveryNote.objects.everywhere("reports of every branch").filter(
            message=None, created_at__gte=clock.now() - MATCHED_WITHIN
        )
        for note in notes.select_for_update().order_by("created_at")[:limit]:
            message = _named(note.branch, note.channel, None, note.provider_reference)
            if message is not None:
                note.message = message
                note.save(update_fields=["message"])
                _delivered(actor, message, note)
                matched += 1
    return matched


def _report(actor: Actor, branch: Branch, channel: BoundChannel, report: DeliveryReport) -> int:
    message = _named(branch, channel.name, report.message_id, report.provider_reference)
    note = DeliveryNote(
        branch=branch,
        channel=channel.name,
        report_id=_plain(report.id, 200),
        message=message,
        provider_reference=_plain(report.provider_reference, 200),
        state=report.state,
        detail=_plain(report.detail, 500),
        at=report.at,
    )
    if not _is_new(DeliveryNote.objects.everywhere("inserted"), note):
        return 0
    if message is not None:
        _delivered(actor, message, note)
    return 1


def _delivered(actor: Actor, message: Message, note: DeliveryNote) -> None:
    """Write what the carrier says, unless it said something later already.

    A message of which we did not know whether it left, or which waits to be tried again, did leave when it arrived;
    one that did not arrive is not in doubt any more.
    """
    if message.delivery_at is not None and message.delivery_at >= note.at:
        return
    message.delivery, message.delivery_at = note.state, note.at
    columns, arrived = ["delivery", "delivery_at"], note.state == Delivery.DELIVERED
    in_doubt = message.state == State.FAILED and message.detail.startswith(NOT_KNOWN)
    if arrived and message.attempts and message.state in (State.FAILED, State.QUEUED):
        message.state, message.sent_at, message.detail = State.SENT, message.attempted_at, ""
        columns += ["state", "sent_at", "detail"]
        record(events.MESSAGE_SENT, message, actor)
    elif in_doubt:
        message.detail = f"{NOT_DELIVERED} {note.detail}".strip()
        columns.append("detail")
    message.save(update_fields=columns)
    if in_doubt:
        record(events.OUTCOME_LEARNT, message, actor, state=str(message.state))
    if arrived:
        record(events.MESSAGE_DELIVERED, message, actor)
    else:
        record(events.MESSAGE_UNDELIVERED, message, actor, detail=note.detail)


def _reply(actor: Actor, branch: Branch, channel: BoundChannel, said: IncomingReply) -> int:
    message = _named(branch, channel.name, said.message_id, said.provider_reference)
    sender = _plain(said.sender, 254)
    addresses = _addresses(branch, sender)
    written = _written_to(branch, channel.name, addresses)
    if message is None and written:
        message = written[0]
    meaning = meaning_of(said.text)
    reply = Reply(
        branch=branch,
        channel=channel.name,
        reply_id=_plain(said.id, 200),
        message=message,
        customer=_told(message) if message else None,
        sender=sender,
        text=_plain(said.text, 5000),
        meaning=meaning,
        received_at=said.received_at,
    )
    if not _is_new(Reply.objects.everywhere("inserted"), reply):
        return 0
    to = [*([message] if message else []), *written]
    people = {person.id: person for person in map(_told, to)}
    ways = {one.way for one in to if one.way} or ({channel.kind} & set(Way.values))
    if meaning == Meaning.STOP:
        for person in people.values():
            for way in sorted(ways):
                stop(actor, person, way, unsubscribing.PURPOSES, source="reply")
    elif meaning == Meaning.WRONG_PERSON:
        for person in people.values():
            _not_theirs(actor, person, ways, addresses)
    if message is not None:
        _tell(actor, message, meaning)
    return 1


def stop(actor: Actor, person: Customer, way: str, purposes: Iterable[str], *, source: str) -> bool:
    """From now on nothing of the purposes by the way; what is queued of it is taken back. False if it was so before."""
    purposes = set(purposes)
    known = ContactRefusal.objects.everywhere("of one person").filter(
        customer_id=person.merged_into_id or person.id, way=way, purpose__in=purposes
    )
    fresh = sorted(purposes - set(known.values_list("purpose", flat=True)))
    with transaction.atomic():
        for purpose in fresh:
            customers.contact_refuse(actor, person, way, purpose, source)
        queued = Message.objects.everywhere("to one person, who asked for silence").filter(
            told_id__in={person.id, person.merged_into_id} - {None}, way=way, purpose__in=purposes, state=State.QUEUED
        )
        withdraw(list(queued.select_for_update()), actor, f"The person asked for no more by {way}.")
    return bool(fresh)


def _not_theirs(actor: Actor, person: Customer, ways: Iterable[str], addresses: Collection[str]) -> None:
    """The address is not used for the person any more: as far as it is still the one that is recorded."""
    for way in sorted(set(ways)):
        if address_of(person, way) in addresses:
            customers.address_wrong(
                actor=actor, customer=person, way=way, reason="Somebody else answered from this address"
            )


def _tell(actor: Actor, message: Message, meaning: str) -> None:
    record_all(
        [(events.REPLY_RECEIVED, message, {"customer": str(message.customer_id), "meaning": str(meaning)})], actor
    )


def _named(branch: Branch, channel: str, message_id: str | None, reference: str | None) -> Message | None:
    """The message that a carrier names, if it went by this channel from this branch; its row is held."""
    rows = _of(branch, channel)
    key = _uuid(message_id)
    if key is not None and (found := rows.select_for_update(of=("self",)).filter(id=key).first()):
        return found
    if reference:
        return rows.select_for_update(of=("self",)).filter(provider_reference=_plain(reference, 200)).first()
    return None


def _written_to(branch: Branch, channel: str, addresses: Collection[str]) -> Sequence[Message]:
    """The newest message to each person who was written to at one of the addresses, the newest first."""
    rows = _of(branch, channel).filter(to__in=addresses, attempts__gt=0)
    newest: dict[object, Message] = {}
    for message in rows.order_by("-id")[:LOOKED_THROUGH]:
        newest.setdefault(message.told_id or message.customer_id, message)
    return list(newest.values())


def _of(branch: Branch, channel: str) -> BranchQuerySet[Message]:
    rows = Message.objects.everywhere("what a carrier speaks of").filter(branch=branch, channel=channel)
    return rows.select_related("customer", "told")


def _told(message: Message) -> Customer:
    return message.told or message.customer


def _uuid(text: str | None) -> uuid.UUID | None:
    try:
        return uuid.UUID(text) if text else None
    except ValueError:
        return None


def _addresses(branch: Branch, sender: str) -> set[str]:
    """What the sender of a reply may mean: an e-mail address with or without a name, a number as dialled here."""
    plain = sender.strip()
    meant = {plain, plain.lower(), parseaddr(plain)[1].lower()}
    for number in (plain, f"+{plain}"):
        try:
            meant.add(customers.phone_normalised(number, branch.country))
        except customers.PhoneUnreadable:
            continue
    return meant - {""}


def _plain(text: str | None, at_most: int) -> str:
    """As much as is kept of a carrier's words, without what no text column takes."""
    return (text or "").replace("\0", "")[:at_most]


def _is_new(rows: BranchQuerySet[Any], row: DeliveryNote | Reply) -> bool:
    """Write the row unless its carrier's id was taken in before."""
    rows.bulk_create([row], ignore_conflicts=True)
    return rows.filter(id=row.id).exists()
