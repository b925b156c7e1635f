"""Who is told, by which way, and when: applied when a message is queued and again when it is sent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from opticshop.core import clock
from opticshop.customers.contacting import address_of, identity_of, ways_for, who_to_tell, why_not
from opticshop.customers.models import Customer, Way

SUNDAY = 6
#: What a way needs, in words.
ADDRESS_WORDS = {Way.EMAIL: "email", Way.TEXT: "phone", Way.LETTER: "postal"}


@dataclass(frozen=True, slots=True)
class QuietHours:
    """When people may be disturbed, in the branch's own time."""

    opens: dt.time
    closes: dt.time
    source: str


#: No statute in the UK; common practice 09:00 to 20:00 local and not on Sundays (from memory).
TEXT_HOURS = QuietHours(dt.time(9), dt.time(20), "common practice, from memory")


@dataclass(frozen=True, slots=True)
class Audience:
    """The person to tell, and by which ways, the preferred one first; ``obstacle`` says why nobody is to be told."""

    person: Customer
    ways: Sequence[str] = ()
    obstacle: str = ""


def audience(customer: Customer, purpose: str, zone: str, further_ways: Sequence[str]) -> Audience:
    """The wearer, or the guardian of a child; by the way the person prefers, and then the further ones in order.

    Reads loaded rows only: give it customers that were fetched ``with_contact_facts``.
    """
    person, obstacle = who_to_tell(customer, clock.today(zone))
    for each in {identity_of(customer).id: identity_of(customer), person.id: person}.values():
        obstacle = obstacle or why_not(each, purpose) or _unwanted(each, purpose)
    prefers = person.preferred_channel
    if prefers == Customer.Channel.NONE:
        obstacle = obstacle or "The person wants no messages."
    return Audience(person, () if obstacle else tuple(dict.fromkeys((prefers, *further_ways))), obstacle)


def wearer_of(customer: Customer) -> Customer:
    """Whom a message is about: the record that speaks for the person."""
    return identity_of(customer)


def address(person: Customer, way: str, purpose: str, needs: str | None) -> tuple[str, str]:
    """(address, obstacle) of a way; a channel that needs no address is given none."""
    if any(row.way == way and row.purpose == purpose for row in person.refusals.all()):
        return "", f"The person refused {purpose} messages by {way}."
    if needs is None:
        return "", ""
    if ways_for(person, purpose, [way]):
        return _written(person, way), ""
    if address_of(person, way):
        return "", f"The {ADDRESS_WORDS[Way(way)]} address that is recorded was found to be wrong."
    return "", f"No {ADDRESS_WORDS[Way(way)]} address is recorded."


def next_allowed(moment: dt.datetime, way: str, zone: str) -> dt.datetime:
    """The moment itself, or the next at which a text message may be sent in the zone; other ways wait for nothing."""
    if way != Way.TEXT:
        return moment
    local = moment.astimezone(ZoneInfo(zone))
    day = local.date()
    if local.time() >= TEXT_HOURS.closes:
        day += dt.timedelta(days=1)
    if day.weekday() == SUNDAY:
        day += dt.timedelta(days=1)
    if day == local.date() and local.time() >= TEXT_HOURS.opens:
        return moment
    return dt.datetime.combine(day, TEXT_HOURS.opens, tzinfo=ZoneInfo(zone)).astimezone(dt.UTC)


def _unwanted(person: Customer, purpose: str) -> str:
    if purpose == "recall" and not person.wants_recalls:
        return "The person asked not to be recalled."
    if purpose == "marketing" and not person.wants_marketing:
        return "The person did not agree to marketing."
    return ""


def _written(person: Customer, way: str) -> str:
    """The address as the carrier needs it; a postal one has one line for each part, without the name."""
    if way == Way.EMAIL:
        return person.email
    if way == Way.TEXT:
        return person.phone_e164
    return "\n".join(part for part in (person.address, person.postcode, person.country) if part)[:254]
