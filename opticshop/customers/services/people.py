"""Registering and amending a person. Near-duplicates are warned of, never blocked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import phonenumbers
from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.text import folded
from opticshop.core.writing import inserted

from .. import events, selectors
from ..ages import age_on
from ..contacting import GUARDIAN_FROM, identity_of
from ..merged import refuse_merged, root_id
from ..models import Customer, CustomerMerge, Source
from ..permissions import CustomerPermission
from .consents import CHOICES, choices_of, choices_record


class BirthDateImplausible(Invalid):
    """A birth date lies in the future or more than 130 years back."""

    code = "customers.birth_date_implausible"
    title = "The birth date cannot be right"


class PhoneUnreadable(Invalid):
    """The phone number is not one that can be dialled from the branch's country."""

    code = "customers.phone_unreadable"
    title = "The phone number cannot be read"


class GuardianUnsuitable(Invalid):
    """A guardian is a living adult with a record of their own, and not somebody whose guardian the person is."""

    code = "customers.guardian_unsuitable"
    title = "This person cannot be the guardian"


@dataclass(frozen=True, slots=True)
class Registered:
    customer: Customer
    near_duplicates: list[Customer] = field(default_factory=list)


def customer_register(
    *,
    actor: Actor,
    branch: Branch,
    given_name: str,
    family_name: str,
    consent_source: str = Source.NOT_STATED,
    consent_wording: str = "",
    **details: Any,
) -> Registered:
    """Register a person at a branch; says who already registered looks like the same person.

    Choices that differ from what holds for somebody who said nothing are history, with their source.
    """
    actor.require(CustomerPermission.EDIT, branch.id)
    details.setdefault("country", branch.country)
    details.setdefault("language", branch.language)
    prepared = _prepared({"given_name": given_name, "family_name": family_name, **details}, branch)
    with transaction.atomic():
        customer = Customer(branch=branch, **prepared)
        _check_guardian(customer, details)
        similar = list(selectors.customers_like(actor, customer))
        inserted([customer])
        choices_record(actor, customer, CHOICES, choices_of(customer), consent_source, consent_wording)
        record_event(events.CUSTOMER_REGISTERED, customer, actor)
    return Registered(customer, similar)


def customer_amend(
    *,
    actor: Actor,
    customer: Customer,
    version: int,
    changes: dict[str, Any],
    consent_source: str = Source.NOT_STATED,
    consent_wording: str = "",
) -> Customer:
    """Change a person's details, guarded by the version that was read. Raises CustomerMerged for a merged record."""
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    prepared = _prepared(changes, customer.branch)
    with transaction.atomic():
        row = lock_version(actor, customer, version)
        before = choices_of(row)
        for name, value in prepared.items():
            setattr(row, name, value)
        _check_guardian(row, changes)
        row.version += 1
        row.save()
        _keep_from_unmerging(row, prepared)
        choices_record(actor, row, before, choices_of(row), consent_source, consent_wording)
        record_event(events.CUSTOMER_CHANGED, row, actor, fields=sorted(changes))
    return row


def lock_version(actor: Actor, customer: Customer, version: int) -> Customer:
    """The row, locked, if it still has the version that was read and is not merged. Raises VersionMismatch,
    CustomerMerged."""
    rows = Customer.objects.everywhere("by key, permission checked by the caller").select_related("branch")
    [row] = lock_rows(rows.filter(id=customer.id))
    refuse_merged(actor, row)
    if row.version != version:
        raise VersionMismatch(field="If-Match")
    return row


def _check_guardian(person: Customer, changes: Mapping[str, Any]) -> None:
    guardian = person.guardian if changes.get("guardian") else None
    if guardian is None:
        return
    guardian = identity_of(guardian)
    age = age_on(guardian.birth_date, clock.today(person.branch.time_zone))
    above = identity_of(guardian.guardian) if guardian.guardian else None
    if guardian.id == root_id(person):
        why = "Nobody is their own guardian."
    elif guardian.deceased_on is not None:
        why = "The person has died."
    elif age is not None and age < GUARDIAN_FROM.age:
        why = f"The person is {age}."
    elif above is not None and above.id == root_id(person):
        why = "The person is a ward of this one."
    else:
        return
    raise GuardianUnsuitable(
        why, field="guardian", allowed=f"a living person of {GUARDIAN_FROM.age} or over ({GUARDIAN_FROM.source})"
    )


def _keep_from_unmerging(customer: Customer, columns: Iterable[str]) -> None:
    """What is stated after a merge is the survivor's own: an unmerge does not take it back."""
    stated = set(columns)
    for link in CustomerMerge.objects.everywhere("of one customer, permission checked by the caller").filter(
        survivor=customer, undone_at=None
    ):
        kept = {name: was for name, was in link.filled.items() if name not in stated}
        if kept != link.filled:
            link.filled = kept
            link.save(update_fields=["filled"])


def _prepared(values: dict[str, Any], branch: Branch) -> dict[str, Any]:
    """The columns to write: values checked, with the folded and normalised copies that search uses."""
    prepared = dict(values)
    if "given_name" in values:
        prepared["search_given"] = folded(values["given_name"])[:80]
    if "family_name" in values:
        prepared["search_family"] = folded(values["family_name"])[:80]
    if values.get("birth_date"):
        _check_birth_date(values["birth_date"], clock.today(branch.time_zone))
    if "phone" in values:
        prepared["phone_e164"] = phone_normalised(values["phone"], branch.country)
    return prepared


def _check_birth_date(day: dt.date, today: dt.date) -> None:
    if day > today or day.year < today.year - 130:
        raise BirthDateImplausible(
            f"{day} is not a birth date of somebody living today.",
            field="birth_date",
            allowed=f"{today.year - 130}-01-01 to {today}",
        )


def phone_normalised(text: str, country: str) -> str:
    """The number in E.164 form, read as dialled from the country; empty for empty. Raises PhoneUnreadable."""
    if not text.strip():
        return ""
    try:
        number = phonenumbers.parse(text, country)
    except phonenumbers.NumberParseException as error:
        raise PhoneUnreadable(f"{text!r}: {error}", field="phone", allowed="+44 20 7946 0018") from error
    if not phonenumbers.is_possible_number(number):
        raise PhoneUnreadable(f"{text!r} has too many or too few digits.", field="phone", allowed="+44 20 7946 0018")
    return str(phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164))


def phone_readings(text: str, countries: Iterable[str]) -> set[str]:
    """What a number may mean, dialled from any of the countries. Raises PhoneUnreadable where it means nothing."""
    readings, refusal = set(), PhoneUnreadable(f"{text!r} is no phone number.", field="phone")
    for country in countries:
        try:
            readings.add(phone_normalised(text, country))
        except PhoneUnreadable as error:
            refusal = error
    if not readings:
        raise refusal
    return readings


def record_event(event_type: str, customer: Customer, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"customers/{customer.id}",
        actor=actor,
        branch_id=customer.branch_id,
        data={"customer": str(customer.id), **more},
    )
