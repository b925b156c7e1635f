"""People taken over from another register. Consent is never made up: it needs its day and its evidence."""

from __future__ import annotations

from typing import Any

from opticshop.customers.serializers import CustomerRegisterIn
from opticshop.customers.services import PhoneUnreadable, customer_register, phone_normalised

from ..models import NearDuplicates
from ..row_problems import ConsentUnproved, NearDuplicate
from .shared import Field, Job, Made, Problem, RowKind, RowRefused, RowSkipped, day, yes_no

_CHANNELS = {"e-mail": "email", "mail": "email", "sms": "text", "post": "letter", "no contact": "none"}
_ADDRESS = ("address", "address_2", "town", "region")
_CONSENTS = ("wants_recalls", "wants_marketing")
_PLAIN = ("given_name", "family_name", "birth_date", "email", "postcode", "language", "is_sight_impaired")


def _apply(job: Job, values: dict[str, Any]) -> Made:
    body = {name: values[name] for name in _PLAIN if name in values} | {"branch": str(job.branch.id)}
    phones = [values[name] for name in ("phone", "phone_2") if name in values]
    body["phone"] = phones[0] if phones else ""
    notes = [values.get("note", "")]
    body["consent_source"] = "import"
    if len(phones) > 1:
        notes.append(f"Second phone: {_second_phone(phones[1], job.branch.country)}")
    body["address"] = "\n".join(values[name] for name in _ADDRESS if name in values)
    if "country" in values:
        body["country"] = values["country"].upper()
    if "preferred_channel" in values:
        word = values["preferred_channel"].casefold()
        body["preferred_channel"] = _CHANNELS.get(word, word)
    given = [name for name in _CONSENTS if values.get(name)]
    if given:
        notes.append(_evidence(given, values))
        body["consent_wording"] = notes[-1][:300]
    body |= {name: name in given for name in _CONSENTS}
    body["note"] = "\n".join(filter(None, notes))
    checked = KIND.shaped(CustomerRegisterIn, body)
    checked.pop("branch")
    registered = customer_register(actor=job.actor, branch=job.branch, **checked)
    if registered.near_duplicates and job.file.near_duplicates == NearDuplicates.SKIP:
        alike = ", ".join(str(each.id) for each in registered.near_duplicates)
        raise RowSkipped(
            Problem("", NearDuplicate, f"Looks like somebody registered: {alike}.", "near_duplicates=import")
        )
    return Made("customers", registered.customer.id)


def _second_phone(cell: str, country: str) -> str:
    try:
        return phone_normalised(cell, country)
    except PhoneUnreadable as error:
        raise RowRefused(Problem("phone_2", type(error), error.detail, error.allowed)) from error


def _evidence(given: list[str], values: dict[str, Any]) -> str:
    """The line that keeps when and how a consent was given. Raises RowRefused without either."""
    lacking = [name for name in ("consent_on", "consent_evidence") if name not in values]
    if lacking:
        detail = f"{given[0]} says yes without its day and its evidence."
        raise RowRefused(
            *(Problem(name, ConsentUnproved, detail, "consent_on and consent_evidence") for name in lacking)
        )
    what = " and ".join(name.removeprefix("wants_") for name in given)
    return f"Consent to {what} of {values['consent_on']}: {values['consent_evidence']}"


KIND = RowKind(
    fields=(
        Field("external_id", ("customer id", "customer number", "customer no", "outside id", "old number", "ref")),
        Field("given_name", ("first name", "forename", "christian name", "given names", "firstname")),
        Field("family_name", ("last name", "surname", "name", "lastname")),
        Field("birth_date", ("date of birth", "dob", "born", "born on", "birthday", "birthdate"), day),
        Field("email", ("e mail", "email address", "e mail address")),
        Field("phone", ("telephone", "phone number", "tel", "mobile", "mobile phone", "mobile number")),
        Field("phone_2", ("second phone", "other phone", "home phone", "work phone", "landline")),
        Field("address", ("street", "address 1", "address line 1", "street address")),
        Field("address_2", ("address line 2",)),
        Field("town", ("city", "place", "post town")),
        Field("region", ("county", "state", "province")),
        Field("postcode", ("post code", "postal code", "zip", "zip code")),
        Field("country", ("country code",)),
        Field("language", ("language code",)),
        Field("is_sight_impaired", ("sight impaired", "registered sight impaired"), yes_no),
        Field("preferred_channel", ("contact by", "preferred contact", "channel")),
        Field("wants_recalls", ("recalls", "recall consent", "reminders"), yes_no),
        Field("wants_marketing", ("marketing", "marketing consent", "newsletter"), yes_no),
        Field("consent_on", ("consent date", "consent given on"), day),
        Field("consent_evidence", ("consent source", "evidence of consent", "consent form")),
        Field("note", ("notes", "remarks", "comment", "comments")),
    ),
    apply=_apply,
    needed=(("given_name",), ("family_name",)),
)
