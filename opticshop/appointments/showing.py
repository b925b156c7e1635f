"""What a calendar shows of an appointment or an order: no full name, no note, nothing about health."""

from __future__ import annotations

import datetime as dt

from opticshop.branches.models import Branch
from opticshop.customers.models import Customer
from opticshop.orders.models import Order, OrderState

from . import hours
from .calendar_files import Entry, one_line
from .models import Appointment

Kind, State = Appointment.Kind, Appointment.State
#: Words that say nothing about health.
WORDS = {
    Kind.EXAMINATION: "Visit",
    Kind.DISPENSING: "Fitting",
    Kind.COLLECTION: "Collection",
    Kind.ADJUSTMENT: "Adjustment",
    Kind.OTHER: "Appointment",
}


def person_mark(customer: Customer, *, given_name: bool = False) -> str:
    """Initials and the last six signs of the customer's key; the given name instead of its initial where allowed."""
    given, family = one_line(customer.given_name), one_line(customer.family_name)
    first = f"{given} " if given_name and given else _initial(given)
    return f"{first}{_initial(family)} {customer.id.hex[-6:].upper()}".strip()


def staff_entry(row: Appointment, *, given_name: bool = False) -> Entry:
    """An appointment for those who work at the branch."""
    number = f", {row.order.number}" if row.order is not None else ""
    who = person_mark(row.customer, given_name=given_name)
    return _entry(row, f"{WORDS[Kind(row.kind)]}: {who}{number}", row.place)


def customer_entry(row: Appointment) -> Entry:
    """An appointment for the customer's own calendar: the branch, its address and the time, nothing else."""
    return _entry(row, f"Appointment at {row.branch.name}", row.branch.address)


def order_entry(order: Order, branch: Branch, changed_at: dt.datetime, *, given_name: bool = False) -> Entry:
    """A pair to collect: all day on the promised day or, where it was ready later, on the day it was ready."""
    day, ready = order.promised_on, order.state == OrderState.READY
    if ready and order.ready_at is not None:
        day = max(day, hours.day_of(order.ready_at, branch.time_zone))
    who = person_mark(order.customer, given_name=given_name)
    return Entry(
        id=str(order.id),
        sequence=order.version,
        changed_at=changed_at,
        starts=day,
        ends=day + dt.timedelta(days=1),
        status="CONFIRMED" if ready else "TENTATIVE",
        summary=f"{'Ready' if ready else 'Promised'}: {order.number}, {who}",
        takes_time=False,
    )


def _entry(row: Appointment, summary: str, location: str) -> Entry:
    return Entry(
        id=str(row.id),
        sequence=row.sequence,
        changed_at=row.changed_at,
        starts=row.starts_at,
        ends=row.ends_at,
        status="CANCELLED" if row.state == State.CANCELLED else "CONFIRMED",
        summary=summary,
        location=location,
        takes_time=row.state in (State.BOOKED, State.ARRIVED, State.ATTENDED),
    )


def _initial(name: str) -> str:
    """The first letter with a full stop; empty where there is none."""
    letter = next((c for c in name if c.isalpha()), "")
    return f"{letter.upper()}." if letter else ""
