"""Restriction (GDPR, article 18): the record of a person is kept and not used until it is lifted."""

from __future__ import annotations

from django.db import transaction
from django.db.models import F

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.customers.models import Customer
from opticshop.reminders.services import recall_review

from .. import events
from ..persons import Person, person_of
from .erasing import SYSTEM, messages_take_back, person_locked


class AlreadyRestricted(Conflict):
    """The record is restricted already; who wants it used again asks for the lifting."""

    code = "privacy.already_restricted"
    title = "This record is restricted already"


class NotRestricted(Conflict):
    """There is no restriction that could be lifted."""

    code = "privacy.not_restricted"
    title = "This record is not restricted"


def person_restrict(*, actor: Actor, customer: Customer) -> int:
    """From now on no messages, no orders and no changes, for every record of the person; what waits to be sent is taken
    back. Permissions are checked by the caller. Returns how many messages were. Raises AlreadyRestricted.
    """
    with transaction.atomic():
        person = person_locked(customer)
        if person.root.restricted_at is not None:
            raise AlreadyRestricted(field="customer")
        _mark(person, clock.now())
        waiting = messages_take_back(person, "The person asked that the record is not used.")
        _tell(events.RECORD_RESTRICTED, person, actor)
    return waiting


def person_unrestrict(*, actor: Actor, customer: Customer) -> None:
    """The record is used again; recalls are looked at anew. What was taken back is not sent. Raises NotRestricted."""
    with transaction.atomic():
        person = person_locked(customer)
        if person.root.restricted_at is None:
            raise NotRestricted(field="customer")
        _mark(person, None)
        _tell(events.RESTRICTION_LIFTED, person, actor)
        recall_review(actor=SYSTEM, customer=person_of(customer).root, look_again=True)


def _mark(person: Person, moment: object) -> None:
    rows = Customer.objects.everywhere("records of one person, permission checked by the caller")
    rows.filter(id__in=person.ids).update(restricted_at=moment, version=F("version") + 1)


def _tell(event_type: str, person: Person, actor: Actor) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"customers/{person.root.id}",
        actor=actor,
        branch_id=person.root.branch_id,
        data={"customer": str(person.root.id)},
    )
