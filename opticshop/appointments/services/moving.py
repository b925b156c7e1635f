"""Appointments moved on: arrived, attended, missed, called off."""

from __future__ import annotations

from typing import Any

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import events, hours
from ..models import APPOINTMENT_MOVES, Appointment
from ..permissions import AppointmentPermission
from .recording import record

State = Appointment.State


class TooEarly(Conflict):
    """Nobody arrives before the day of the appointment, and nobody has missed it before it begins."""

    code = "appointments.too_early"
    title = "It is too early for this"


def appointment_arrive(*, actor: Actor, appointment: Appointment) -> Appointment:
    """The customer is here; on the day of the appointment."""
    return _move(actor, appointment, State.ARRIVED, events.APPOINTMENT_ARRIVED)


def appointment_attend(*, actor: Actor, appointment: Appointment) -> Appointment:
    """The customer was seen; on the day of the appointment, or noted later."""
    return _move(actor, appointment, State.ATTENDED, events.APPOINTMENT_ATTENDED)


def appointment_miss(*, actor: Actor, appointment: Appointment) -> Appointment:
    """The customer did not come; from the moment at which it began. The time is free again."""
    return _move(actor, appointment, State.MISSED, events.APPOINTMENT_MISSED)


def appointment_cancel(*, actor: Actor, appointment: Appointment, reason: str) -> Appointment:
    """Call an appointment off. The time is free again; calendars show it as cancelled."""
    return _move(actor, appointment, State.CANCELLED, events.APPOINTMENT_CANCELLED, cancelled_reason=reason)


def _move(actor: Actor, appointment: Appointment, state: str, event: str, **values: Any) -> Appointment:
    actor.require(AppointmentPermission.BOOK, appointment.branch_id)
    with transaction.atomic():
        rows = Appointment.objects.everywhere("by key, permission checked above").filter(id=appointment.id)
        [row] = lock_rows(rows.select_related("branch", "customer", "seen_by", "order"))
        check_move(APPOINTMENT_MOVES, row.state, state, of="The appointment")
        _check_moment(row, state)
        row.state, row.remind_at, row.changed_at = state, None, clock.now()
        row.sequence += 1
        row.version += 1
        for name, value in values.items():
            setattr(row, name, value)
        row.save()
        record(event, row, actor)
    return row


def _check_moment(row: Appointment, state: str) -> None:
    zone = row.branch.time_zone
    day = hours.day_of(row.starts_at, zone)
    if state in (State.ARRIVED, State.ATTENDED) and clock.today(zone) < day:
        raise TooEarly(f"The appointment is on {day}.", field="state", allowed=f"from {day} on")
    if state == State.MISSED and clock.now() < row.starts_at:
        start = row.starts_at.isoformat()
        raise TooEarly(f"The appointment begins at {start}.", field="state", allowed=f"from {start} on")
