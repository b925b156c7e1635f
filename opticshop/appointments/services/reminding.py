"""The reminder of the open day before an appointment: queued once, if it was agreed more than a day ahead."""

from __future__ import annotations

import uuid
from string import Template
from zoneinfo import ZoneInfo

from django.db import connection, transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.correspondence import services as correspondence
from opticshop.correspondence.kinds import MessageKind, declare
from opticshop.correspondence.models import Message
from opticshop.correspondence.wording import Wording

from ..models import Appointment
from ..permissions import AppointmentPermission

State = Appointment.State


def reminders_queue(*, actor: Actor, limit: int = 500) -> int:
    """Queue the reminders that are due; returns how many appointments were looked after. Safe to run twice at once."""
    actor.require(AppointmentPermission.BOOK)
    due = _due().order_by("remind_at", "id").values_list("id", flat=True)[:limit]
    return sum(_remind(actor, appointment_id) for appointment_id in list(due))


def _remind(actor: Actor, appointment_id: uuid.UUID) -> int:
    with transaction.atomic():
        rows = _due().filter(id=appointment_id)
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, of=("self",))
        row = rows.select_related("branch", "customer__guardian").first()
        if row is None:
            return 0
        if row.starts_at > clock.now():
            correspondence.message_queue(
                actor=actor,
                branch=row.branch,
                customer=row.customer,
                kind=REMINDER,
                about=f"appointments/{row.id}/{row.sequence}",
                values=_values(row),
            )
        row.remind_at = None
        row.save(update_fields=["remind_at"])
    return 1


def _due() -> BranchQuerySet[Appointment]:
    rows = Appointment.objects.everywhere("the duty reminds for every branch")
    return rows.filter(remind_at__lte=clock.now())


def _values(row: Appointment) -> dict[str, str]:
    local = row.starts_at.astimezone(ZoneInfo(row.branch.time_zone))
    return {"day": f"{local:%A} {local.day} {local:%B %Y}", "time": f"{local:%H:%M}"}


def _gone(message: Message) -> str:
    rows = Appointment.objects.everywhere("of a message that is about to be sent")
    row = rows.filter(id=message.subject_ref.split("/")[1]).first()
    if row is None or row.state != State.BOOKED:
        return f"The appointment is {row.state if row else 'not there'}."
    if row.agreed_at > message.created_at:
        return "The appointment was moved."
    return "The appointment has begun." if row.starts_at <= clock.now() else ""


REMINDER = declare(
    MessageKind(
        name="appointment_reminder",
        title="An appointment is on the next open day",
        purpose="service",
        placeholders=("day", "time"),
        open_placeholders=("day", "time"),
        wording=Wording(
            subject=Template("Your appointment on $day"),
            long=Template(
                "Dear $name,\n\n"
                "you have an appointment on $day at $time, at $branch_name$branch_where.\n"
                "If you cannot come, please tell us, so that we can find another time.\n\n"
                "$branch_name"
            ),
            short=Template("$branch_name: your appointment is on $day at $time$branch_where."),
        ),
        for_ward=Wording(
            subject=Template("The appointment of $wearer on $day"),
            long=Template(
                "Dear $name,\n\n"
                "$wearer has an appointment on $day at $time, at $branch_name$branch_where.\n"
                "If you cannot come, please tell us, so that we can find another time.\n\n"
                "$branch_name"
            ),
            short=Template("$branch_name: the appointment of $wearer is on $day at $time$branch_where."),
        ),
        gone=_gone,
    )
)
