"""Somebody died or moved away, or that was wrong: messages stop or go again, and nothing is deleted."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid

from .. import events
from ..models import Customer, StatusChange
from ..permissions import CustomerPermission
from .people import lock_version, record_event

What = StatusChange.What


class StatusDayImplausible(Invalid):
    """Nobody dies or moves before birth, and neither is recorded before it happened."""

    code = "customers.status_day_implausible"
    title = "It cannot have been on that day"


class StatusKnown(Conflict):
    """It is recorded already; what is wrong is corrected first, with a reason."""

    code = "customers.status_known"
    title = "This is recorded already"


class NothingToCorrect(Conflict):
    """Neither a death nor a move is recorded that could be corrected."""

    code = "customers.nothing_to_correct"
    title = "There is nothing to correct"


def customer_deceased(*, actor: Actor, customer: Customer, version: int, on: dt.date) -> Customer:
    """The person has died, known by that day: nothing is sent any more."""
    return _learn(actor, customer, version, What.DECEASED_ON, on)


def customer_moved_away(*, actor: Actor, customer: Customer, version: int, on: dt.date) -> Customer:
    """The person lives elsewhere: no recalls and no marketing, but still what concerns an open order."""
    return _learn(actor, customer, version, What.MOVED_AWAY_ON, on)


def customer_status_correct(*, actor: Actor, customer: Customer, version: int, what: str, reason: str) -> Customer:
    """A death or a move was recorded wrongly; the history keeps both, with the reason."""
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    with transaction.atomic():
        row = lock_version(actor, customer, version)
        if getattr(row, what) is None:
            raise NothingToCorrect(f"No {what} is recorded.", field="what")
        _write(actor, row, what, None, reason)
    return row


def _learn(actor: Actor, customer: Customer, version: int, what: str, on: dt.date) -> Customer:
    actor.require(CustomerPermission.EDIT, customer.branch_id)
    with transaction.atomic():
        row = lock_version(actor, customer, version)
        today = clock.today(row.branch.time_zone)
        earliest = row.birth_date or dt.date(today.year - 130, 1, 1)
        if not earliest <= on <= today:
            raise StatusDayImplausible(f"{on} cannot be.", field="on", allowed=f"{earliest} to {today}")
        if (known := getattr(row, what)) is not None:
            raise StatusKnown(f"{what} is {known}.", field="on", allowed="correct-status first")
        _write(actor, row, what, on, "")
    return row


def _write(actor: Actor, row: Customer, what: str, day: dt.date | None, reason: str) -> None:
    StatusChange.objects.create(
        customer=row,
        what=what,
        was=getattr(row, what),
        now=day,
        reason=reason,
        changed_by_id=actor.id,
        changed_by_label=actor.label[:200],
    )
    setattr(row, what, day)
    row.version += 1
    row.save(update_fields=[what, "version"])
    record_event(events.CUSTOMER_CHANGED, row, actor, fields=[what])
