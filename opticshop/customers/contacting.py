"""Who may be told what, by which way: the one place that reads a person's choices and circumstances.

Pure reading of loaded rows: fetch a page with ``with_contact_facts`` and nothing here asks the database again.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from django.db import models
from django.db.models import Q

from .ages import age_on
from .models import Customer, Purpose, Way

DEFAULT_ORDER = (Way.EMAIL, Way.TEXT, Way.LETTER)


@dataclass(frozen=True, slots=True)
class AgeRule:
    """An age of the trade that is no law everywhere."""

    age: int
    source: str


#: Below this age the recorded guardian is told instead.
GUARDIAN_BELOW = AgeRule(16, "common practice, from memory; some ask at 18")
#: At these ages it is to be asked anew who is told.
CONFIRM_AT = (AgeRule(16, "common practice, from memory"), AgeRule(18, "common practice, from memory"))
#: What a guardian's age must be, where it is known.
GUARDIAN_FROM = AgeRule(18, "age of majority in the UK, from memory")

_FACTS = ("refusals", "wrong_addresses")
_PEOPLE = ("", "merged_into__", "guardian__", "guardian__merged_into__")
_PEOPLE_OF_SURVIVOR = ("merged_into__guardian__", "merged_into__guardian__merged_into__")

Q_ = TypeVar("Q_", bound="models.QuerySet[Customer]")


def with_contact_facts(queryset: Q_) -> Q_:
    """The customers with all that this module reads of them: a constant number of queries for any page."""
    people = _PEOPLE + _PEOPLE_OF_SURVIVOR
    return queryset.select_related(*(path.removesuffix("__") for path in people if path)).prefetch_related(
        *(path + fact for path in people for fact in _FACTS)
    )


def identity_of(customer: Customer) -> Customer:
    """The record that speaks for the person: the survivor of a merge, or the customer itself."""
    return customer.merged_into or customer


def identities(customer_id: uuid.UUID) -> set[uuid.UUID]:
    """The ids of all records of the same person, from any one of them. One query."""
    rows = Customer.objects.everywhere("records of one person, by key")
    root = rows.filter(id=customer_id).values("merged_into")
    same = Q(id=customer_id) | Q(merged_into=customer_id) | Q(id__in=root) | Q(merged_into__in=root)
    return set(rows.filter(same).values_list("id", flat=True)) | {customer_id}


def address_of(person: Customer, way: str) -> str:
    """The address that a way needs, in the form in which wrong ones are kept; empty where there is none."""
    if way == Way.EMAIL:
        return person.email.strip().lower()
    if way == Way.TEXT:
        return person.phone_e164
    if way == Way.LETTER and person.address.strip():
        return " ".join(f"{person.address} {person.postcode} {person.country}".casefold().split())[:600]
    return ""


def why_not(customer: Customer, purpose: str = Purpose.RECALL) -> str:
    """In words why a person is not told anything (any more); empty where nothing stands against it.

    Who moved away gets no recalls and no marketing, but still what concerns an open order.
    """
    if customer.erased_at is not None:
        return "The record was erased."
    if customer.restricted_at is not None:
        return "The person asked that the record is not used."
    if customer.deceased_on is not None:
        return "The person has died."
    if customer.merged_into_id is not None:
        return "This record was merged into another of the same person."
    if customer.moved_away_on is not None and purpose != Purpose.SERVICE:
        return "The person has moved away."
    return ""


def ways_for(person: Customer, purpose: str, order: Sequence[str] = DEFAULT_ORDER) -> list[str]:
    """By which of the ways the person may be told this, the preferred one first; empty for not at all."""
    prefers = person.preferred_channel
    if prefers == Customer.Channel.NONE or why_not(person, purpose) or not _wants(person, purpose):
        return []
    refused = {row.way for row in person.refusals.all() if row.purpose == purpose}
    wrong = {(row.way, row.address) for row in person.wrong_addresses.all()}
    usable = [
        str(way)
        for way in order
        if way not in refused and (address := address_of(person, way)) and (way, address) not in wrong
    ]
    return sorted(usable, key=lambda way: way != prefers)


def _wants(person: Customer, purpose: str) -> bool:
    if purpose == Purpose.RECALL:
        return person.wants_recalls
    if purpose == Purpose.MARKETING:
        return person.wants_marketing
    return True


def who_to_tell(customer: Customer, today: dt.date) -> tuple[Customer, str]:
    """The person, or the guardian of a child, with the obstacle in words: empty where there is somebody to tell.

    A record that was merged is answered for by its survivor, a guardian's too.
    """
    person = identity_of(customer)
    if person.erased_at or person.restricted_at or person.deceased_on:
        return person, why_not(person)
    age = age_on(person.birth_date, today)
    if age is None or age >= GUARDIAN_BELOW.age:
        return person, ""
    if person.guardian is None:
        return person, f"The wearer is under {GUARDIAN_BELOW.age} and no guardian is recorded."
    guardian = identity_of(person.guardian)
    if guardian.erased_at is not None:
        return guardian, "The guardian was erased and nobody else is recorded."
    if guardian.deceased_on is not None:
        return guardian, "The guardian has died and nobody else is recorded."
    return guardian, ""


def ownership_to_confirm(customer: Customer, today: dt.date) -> str:
    """What is to be asked of a young person with a guardian; empty where nothing is, or it was asked since."""
    age = age_on(customer.birth_date, today)
    if age is None or customer.guardian_id is None:
        return ""
    due = [rule for rule in CONFIRM_AT if rule.age <= age]
    if not due or age > CONFIRM_AT[-1].age + 1:
        return ""
    asked_at = age_on(customer.birth_date, customer.contact_confirmed_on) if customer.contact_confirmed_on else None
    if asked_at is not None and asked_at >= due[-1].age:
        return ""
    return f"Now {due[-1].age} or over: confirm who is to be told, the person or the guardian ({due[-1].source})."
