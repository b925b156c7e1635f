"""Appointments booked and changed: within opening hours, and nobody twice at the same time."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction

from opticshop.accounts.models import User
from opticshop.branches.calendars import Calendar, calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.customers.contacting import identities, why_not
from opticshop.customers.models import Customer, Purpose
from opticshop.orders.models import Order, OrderState

from .. import events, hours, selectors
from ..hours import LONGEST, SHORTEST, Span
from ..models import Appointment
from ..permissions import AppointmentPermission
from .recording import record

State = Appointment.State
#: Nothing is booked further ahead.
FURTHEST = dt.timedelta(days=800)
#: What a calendar shows: a change of any of these raises the sequence.
SHOWN = frozenset({"starts_at", "ends_at", "seen_by", "place"})
MOVED = frozenset({"starts_at", "ends_at", "seen_by"})


class LengthUnusable(Invalid):
    """An appointment takes from 5 minutes to 8 hours, and begins and ends on a whole minute."""

    code = "appointments.length_unusable"
    title = "An appointment cannot be that long"


class TimeUnusable(Invalid):
    """An appointment lies ahead, and at most 800 days ahead. The answer gives the next slot that is free."""

    code = "appointments.time_unusable"
    title = "This time cannot be booked"


class OutsideOpeningHours(Conflict):
    """The branch is closed then: by its week, its own closure, or a public holiday. The answer gives the next slot."""

    code = "appointments.outside_opening_hours"
    title = "The branch is not open then"


class AlreadyBooked(Conflict):
    """The customer, or who is to see them, has an appointment at that time. The answer gives the next slot."""

    code = "appointments.already_booked"
    title = "Somebody is booked already at that time"


class NotToBeMoved(Conflict):
    """Only an appointment that is booked is put off; a note may be written at any time."""

    code = "appointments.not_to_be_moved"
    title = "This appointment is not moved any more"


class PersonNotHere(Invalid):
    """Who sees the customer must be a person who works at the branch."""

    code = "appointments.person_not_here"
    title = "This person does not work at the branch"


class NotToBeCollected(Invalid):
    """A collection names an order of the same customer and branch that is still to be collected; nothing else does."""

    code = "appointments.not_to_be_collected"
    title = "This order is not one to collect"


class CustomerNotToBook(Conflict):
    """The customer is not to be contacted: dead, or recorded twice and merged into another."""

    code = "appointments.customer_not_to_book"
    title = "This customer is not booked any more"


def appointment_book(
    *,
    actor: Actor,
    branch: Branch,
    customer: Customer,
    kind: str,
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    seen_by: User | None = None,
    place: str = "",
    order: Order | None = None,
    note: str = "",
) -> Appointment:
    """Book a customer. Raises what says why not, with the next free slot where that helps."""
    actor.require(AppointmentPermission.BOOK, branch.id)
    row = Appointment(
        branch=branch,
        customer=customer,
        kind=kind,
        starts_at=starts_at,
        ends_at=ends_at,
        seen_by=seen_by,
        place=place,
        order=order,
        note=note,
        booked_by_id=actor.id,
    )
    with transaction.atomic():
        row.customer = _locked(customer, seen_by)
        if words := why_not(row.customer, Purpose.SERVICE):
            raise CustomerNotToBook(words, field="customer")
        _check_order(row)
        _check_time(row)
        row.save(force_insert=True)
        record(events.APPOINTMENT_BOOKED, row, actor)
    return row


def appointment_change(*, actor: Actor, appointment: Appointment, version: int, changes: dict[str, Any]) -> Appointment:
    """Put an appointment off, or change who sees the customer, the place or the note; guarded by its version."""
    actor.require(AppointmentPermission.BOOK, appointment.branch_id)
    with transaction.atomic():
        customer = _locked(appointment.customer, changes.get("seen_by", appointment.seen_by))
        rows = Appointment.objects.everywhere("by key, permission checked above").filter(id=appointment.id)
        [row] = lock_rows(rows.select_related("branch", "seen_by", "order"))
        if row.version != version:
            raise VersionMismatch(field="If-Match")
        row.customer = customer
        before = {name: getattr(row, name) for name in changes}
        changed = {name for name, value in changes.items() if before[name] != value}
        if not changed:
            return row
        if changed & SHOWN:
            _check_still_booked(row)
        old_start = row.starts_at
        for name in changed:
            setattr(row, name, changes[name])
        if changed & SHOWN:
            row.sequence, row.changed_at = row.sequence + 1, clock.now()
        if changed & MOVED:
            _check_time(row, again=bool(changed & {"starts_at", "ends_at"}))
        row.version += 1
        row.save()
        if changed & MOVED:
            record(events.APPOINTMENT_RESCHEDULED, row, actor, before=old_start.isoformat())
        else:
            record(events.APPOINTMENT_AMENDED, row, actor, fields=sorted(changed))
    return row


def _locked(customer: Customer, seen_by: User | None) -> Customer:
    """Lock whose time is to be taken up, the customer first: two bookings of either go one after the other.

    All records of the same person are locked; returned is the one that was given, as it is now.
    """
    rows = Customer.objects.everywhere("of an appointment, seen by the caller").filter(id__in=identities(customer.id))
    [locked] = [row for row in lock_rows(rows) if row.id == customer.id]
    if seen_by is not None:
        lock_rows(User.objects.filter(id=seen_by.id))
    return locked


def _check_time(row: Appointment, *, again: bool = True) -> None:
    """The length, the moment, the opening hours, and that everybody is free. ``again``: the time is a new one."""
    span, calendar, now = Span(row.starts_at, row.ends_at), calendar_of(row.branch), clock.now()
    whole = not any(moment.second or moment.microsecond for moment in (row.starts_at, row.ends_at))
    if not (SHORTEST <= span.length <= LONGEST and whole):
        raise LengthUnusable(
            "It ends 5 minutes to 8 hours after it starts, on a whole minute.", field="ends_at", allowed="PT5M to PT8H"
        )
    if row.seen_by is not None and not selectors.workers_of(row.branch).filter(id=row.seen_by.id).exists():
        raise PersonNotHere(field="with", allowed="a person who works at the branch")
    if again:
        if span.starts_at < now:
            words = f"{_iso(span.starts_at)} lies in the past."
            raise TimeUnusable(words, field="starts_at", allowed=_next(row, calendar, now))
        if span.starts_at > now + FURTHEST:
            words = f"{_iso(span.starts_at)} is more than {FURTHEST.days} days ahead."
            raise TimeUnusable(words, field="starts_at", allowed=f"up to {_iso(now + FURTHEST)}")
        if words := hours.why_outside(calendar, span):
            raise OutsideOpeningHours(words, field="starts_at", allowed=_next(row, calendar, span.starts_at))
        row.agreed_at = now
        row.remind_at = hours.reminder_moment(calendar, row.starts_at, now)
    for field, who, keys in (
        ("with", "Who is to see the customer", {"customer_id": None, "person_id": row.seen_by_id}),
        ("customer", "The customer", {"customer_id": row.customer_id, "person_id": None}),
    ):
        if taken := selectors.busy(window=span, besides=row, **keys):
            raise AlreadyBooked(
                f"{who} has an appointment from {_iso(taken[0].starts_at)} to {_iso(taken[0].ends_at)}.",
                field=field,
                allowed=_next(row, calendar, span.starts_at),
            )


def _next(row: Appointment, calendar: Calendar, after: dt.datetime) -> dict[str, str] | None:
    """The next free slot of that length from a moment on, for the customer and who sees them."""
    window = Span(after, after + hours.LOOK_AHEAD + dt.timedelta(days=1))
    taken = selectors.busy(customer_id=row.customer_id, person_id=row.seen_by_id, window=window, besides=row)
    slot = hours.next_slot(calendar, taken, row.ends_at - row.starts_at, after=after)
    return {"starts_at": _iso(slot.starts_at), "ends_at": _iso(slot.ends_at)} if slot else None


def _check_still_booked(row: Appointment) -> None:
    if row.state != State.BOOKED:
        raise NotToBeMoved(
            f"The appointment is {row.state}; book another.", field="state", allowed=[State.BOOKED.value]
        )


def _check_order(row: Appointment) -> None:
    order = row.order
    if order is None:
        return
    if row.kind != Appointment.Kind.COLLECTION:
        raise NotToBeCollected("Only a collection names an order.", field="order", allowed="no order")
    if order.customer_id not in identities(row.customer_id) or order.branch_id != row.branch_id:
        raise NotToBeCollected("The order is of another customer or branch.", field="order")
    if order.state in (OrderState.COLLECTED, OrderState.CANCELLED):
        raise NotToBeCollected(f"The order is {order.state}.", field="order")


def _iso(moment: dt.datetime) -> str:
    return moment.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")
