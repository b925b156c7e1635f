"""What a person agrees to hear: the present choice, and a line of history for every change in the same transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows

from .. import events
from ..contacting import address_of
from ..models import ConsentChange, ContactRefusal, Customer, CustomerMerge, Purpose, Source, Way, WrongAddress
from ..permissions import CustomerPermission

#: The columns whose changes are history, with what they are before anybody said anything.
CHOICES: Mapping[str, Any] = {"wants_recalls": True, "wants_marketing": False, "preferred_channel": "email"}


class NoAddressThere(Conflict):
    """An address is called wrong that is not recorded."""

    code = "customers.no_address_there"
    title = "There is no such address"


class ContactChoiceUnknown(Invalid):
    """A contact choice names a way, a purpose or a source that we do not know."""

    code = "customers.contact_choice_unknown"
    title = "This contact choice is not known"


@dataclass(frozen=True, slots=True)
class ContactChoice:
    """Whether a person may be told things of one purpose by one way."""

    customer: Customer
    way: str
    purpose: str
    allowed: bool


def contact_refuse(
    actor: Actor, customer: Customer, way: str, purpose: str, source: str, *, wording: str = ""
) -> ContactChoice:
    """From now on nothing of this purpose by this way. Said again it is written down again, and nothing else changes.

    Said of a merged record it holds for its survivor too: a stop on an old link stops everything.
    """
    return _choose(actor, customer, way, purpose, source, wording, allowed=False)


def contact_allow(
    actor: Actor, customer: Customer, way: str, purpose: str, source: str, *, wording: str = ""
) -> ContactChoice:
    """Take a refusal back, of the record and of its survivor. What ``wants_...`` says stands beside it."""
    return _choose(actor, customer, way, purpose, source, wording, allowed=True)


def _choose(
    actor: Actor, customer: Customer, way: str, purpose: str, source: str, wording: str, *, allowed: bool
) -> ContactChoice:
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    _check(way, purpose, source)
    with transaction.atomic():
        for person in _locked(customer):
            refusals = ContactRefusal.objects.everywhere("of one person, permission checked above")
            was = refusals.filter(customer=person, way=way, purpose=purpose).first()
            if allowed and was is not None:
                was.delete()
                _renew(person)
            elif not allowed and was is None:
                ContactRefusal.objects.create(customer=person, way=way, purpose=purpose)
                _renew(person)
            elif not allowed and was is not None and was.from_merge_id is not None:
                was.from_merge = None
                was.save(update_fields=["from_merge"])
            contact_change_record(
                actor, person, way, purpose, was=was is None, now=allowed, source=source, wording=wording
            )
            outbox.record(
                event_type=events.CONTACT_CHOICE_CHANGED,
                subject=f"customers/{person.id}",
                actor=actor,
                branch_id=person.branch_id,
                data={"customer": str(person.id), "way": way, "purpose": purpose, "allowed": allowed},
            )
    return ContactChoice(customer, way, purpose, allowed)


def contact_change_record(
    actor: Actor, person: Customer, way: str, purpose: str, *, was: bool, now: bool, source: str, wording: str = ""
) -> None:
    """One line of history of a contact choice; ``was`` and ``now`` say whether it is allowed."""
    ConsentChange.objects.create(
        customer=person,
        what=ConsentChange.What.CONTACT,
        way=way,
        purpose=purpose,
        was=_word(was),
        now=_word(now),
        source=source,
        wording=wording,
        changed_by_id=actor.id,
        changed_by_label=actor.label[:200],
    )


def choices_record(
    actor: Actor,
    customer: Customer,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    source: str,
    wording: str = "",
) -> None:
    """Lines of history for those of CHOICES that differ. At most one statement; none where nothing differs."""
    rows = [
        ConsentChange(
            customer=customer,
            what=name,
            was=_word(before[name]),
            now=_word(after[name]),
            source=source,
            wording=wording,
            changed_by_id=actor.id,
            changed_by_label=actor.label[:200],
        )
        for name in CHOICES
        if before[name] != after[name]
    ]
    if rows:
        ConsentChange.objects.bulk_create(rows)


def choices_of(customer: Customer) -> dict[str, Any]:
    return {name: getattr(customer, name) for name in CHOICES}


def address_wrong(*, actor: Actor, customer: Customer, way: str, reason: str) -> WrongAddress:
    """The address of this way is not used any more until it is changed. Raises NoAddressThere.

    A merged record's address is its survivor's where both have the same.
    """
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    _check(way, Purpose.SERVICE, Source.NOT_STATED)
    address = address_of(customer, way)
    if not address:
        raise NoAddressThere(f"No address for {way} is recorded.", field="way")
    with transaction.atomic():
        for person in _sharing(customer, way, address):
            row, made = WrongAddress.objects.everywhere("of one person, permission checked above").get_or_create(
                customer=person,
                way=way,
                address=address,
                defaults={"reason": reason, "recorded_by_id": actor.id},
            )
            if not made and row.from_merge_id is not None:
                row.from_merge = None
                row.save(update_fields=["from_merge"])
            if person.id == customer.id:
                found = row
            if made:
                _renew(person)
            _address_event(actor, person, way)
    return found


def address_right(*, actor: Actor, customer: Customer, way: str) -> None:
    """The address of this way was right after all. Raises NoAddressThere where it is not held wrong."""
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    _check(way, Purpose.SERVICE, Source.NOT_STATED)
    address = address_of(customer, way)
    with transaction.atomic():
        wrong = WrongAddress.objects.everywhere("of one person, permission checked above")
        people = _sharing(customer, way, address)
        gone, _ = wrong.filter(customer__in=people, way=way, address=address).delete()
        if not gone:
            raise NoAddressThere(f"No address for {way} is held to be wrong.", field="way")
        for person in people:
            _renew(person)
            _address_event(actor, person, way)


def _renew(person: Customer) -> None:
    """A new version of a locked record: what it is shown with has changed."""
    person.version += 1
    person.save(update_fields=["version"])


def _sharing(customer: Customer, way: str, address: str) -> list[Customer]:
    """The record and, where it has the same address, its survivor; locked."""
    return [person for person in _locked(customer) if person.id == customer.id or address_of(person, way) == address]


def _locked(customer: Customer) -> list[Customer]:
    """The record and all that it was merged into, one after the other; locked."""
    ids = [customer.id]
    if customer.merged_into_id is not None:
        links = CustomerMerge.objects.everywhere("one person, permission checked by the caller")
        open_links = links.filter(undone_at=None, merged__merged_into=customer.merged_into_id)
        above = dict(open_links.values_list("merged_id", "survivor_id"))
        while ids[-1] in above:
            ids.append(above[ids[-1]])
    return lock_rows(Customer.objects.everywhere("one person, permission checked by the caller").filter(id__in=ids))


def _address_event(actor: Actor, person: Customer, way: str) -> None:
    outbox.record(
        event_type=events.CUSTOMER_CHANGED,
        subject=f"customers/{person.id}",
        actor=actor,
        branch_id=person.branch_id,
        data={"customer": str(person.id), "fields": [f"{way}_address_wrong"]},
    )


def _check(way: str, purpose: str, source: str) -> None:
    known: Iterable[tuple[str, str, list[str]]] = (
        ("way", way, list(Way.values)),
        ("purpose", purpose, list(Purpose.values)),
        ("source", source, list(Source.values)),
    )
    for field, value, allowed in known:
        if value not in allowed:
            raise ContactChoiceUnknown(f"{value!r} is no {field} that we know.", field=field, allowed=allowed)


def _word(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
