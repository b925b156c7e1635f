"""Registering and amending a person. Near-duplicates are warned of, never blocked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import phonenumbers
from django.db import transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid, VersionMismatch
from opticshop.core.text import folded

from .. import events, selectors
from ..models import Customer
from ..permissions import CustomerPermission


class BirthDateImplausible(Invalid):
    """A birth date lies in the future or more than 130 years back."""

    code = "customers.birth_date_implausible"
    title = "The birth date cannot be right"


class PhoneUnreadable(Invalid):
    """The phone number is not one that can be dialled from the branch's country."""

    code = "customers.phone_unreadable"
    title = "The phone number cannot be read"


@dataclass(frozen=True, slots=True)
class Registered:
    customer: Customer
    near_duplicates: list[Customer] = field(default_factory=list)


def customer_register(*, actor: Actor, branch: Branch, given_name: str, family_name: str, **details: Any) -> Registered:
    """Register a person at a branch; says who already registered looks like the same person."""
    actor.require(CustomerPermission.EDIT, branch.id)
    details.setdefault("country", branch.country)
    details.setdefault("language", branch.language)
    prepared = _prepared({"given_name": given_name, "family_name": family_name, **details}, branch)
    with transaction.atomic():
        customer = Customer(branch=branch, **prepared)
        similar = list(selectors.customers_like(actor, customer))
        customer.save(force_insert=True)
        _record(events.CUSTOMER_REGISTERED, customer, actor)
    return Registered(customer, similar)


def customer_amend(*, actor: Actor, customer: Customer, version: int, changes: dict[str, Any]) -> Customer:
    """Change a person's details, guarded by the version that was read."""
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    prepared = _prepared(changes, customer.branch)
    with transaction.atomic():
        row = Customer.objects.everywhere("by key, permission checked above").filter(id=customer.id, version=version)
        if not row.update(version=F("version") + 1, **prepared):
            raise VersionMismatch(field="If-Match")
        _record(events.CUSTOMER_CHANGED, customer, actor, fields=sorted(changes))
    customer.refresh_from_db()
    return customer


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


def _record(event_type: str, customer: Customer, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"customers/{customer.id}",
        actor=actor,
        branch_id=customer.branch_id,
        data={"customer": str(customer.id), **more},
    )
