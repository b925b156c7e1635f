"""Whom to tell, by which way, and when: rules as data, applied when a message is queued and again when it is sent."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.customers.ages import age_on
from opticshop.customers.models import Customer
from opticshop.pluginhost.services import BoundChannel

#: Below this age the recorded guardian is told instead (common practice, from memory; some ask at 18).
GUARDIAN_BELOW_AGE = 16
#: A channel of one of these kinds is used only by who prefers it; any other kind (the console) serves everybody.
PREFERRED_KINDS = frozenset({Customer.Channel.EMAIL, Customer.Channel.TEXT, Customer.Channel.LETTER})
SUNDAY = 6


@dataclass(frozen=True, slots=True)
class QuietHours:
    """When people may be disturbed, in the branch's own time."""

    opens: dt.time
    closes: dt.time
    source: str


#: No statute in the UK; common practice 09:00 to 20:00 local and not on Sundays (from memory).
TEXT_HOURS = QuietHours(dt.time(9), dt.time(20), "common practice, from memory")


@dataclass(frozen=True, slots=True)
class Reach:
    """Who is told at which address; ``obstacle`` says in words why nobody can be, and is empty otherwise."""

    person: Customer
    to: str = ""
    obstacle: str = ""


def reach(customer: Customer, branch: Branch, channel: BoundChannel) -> Reach:
    """The wearer, or the guardian of a child, by the channel; what the person prefers is respected."""
    age = age_on(customer.birth_date, clock.today(branch.time_zone))
    person = customer
    if age is not None and age < GUARDIAN_BELOW_AGE:
        if customer.guardian is None:
            return Reach(customer, obstacle=f"The wearer is under {GUARDIAN_BELOW_AGE} and no guardian is recorded.")
        person = customer.guardian
    prefers = person.preferred_channel
    if prefers == Customer.Channel.NONE:
        return Reach(person, obstacle="The person wants no messages.")
    if channel.kind in PREFERRED_KINDS and channel.kind != prefers:
        return Reach(person, obstacle=f"The person prefers {prefers}; this branch sends by {channel.kind}.")
    to = _address(person, channel.needs)
    if channel.needs is not None and not to:
        return Reach(person, obstacle=f"No {channel.needs} address is recorded.")
    return Reach(person, to)


def next_allowed(moment: dt.datetime, channel_kind: str, zone: str) -> dt.datetime:
    """The moment itself, or the next at which a text message may be sent in the zone; other kinds wait for nothing."""
    if channel_kind != Customer.Channel.TEXT:
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


def _address(person: Customer, needs: str | None) -> str:
    if needs == "email":
        return person.email
    if needs == "phone":
        return person.phone_e164
    if needs == "postal" and person.address:
        return "\n".join(part for part in (str(person), person.address, person.postcode, person.country) if part)[:254]
    return ""
