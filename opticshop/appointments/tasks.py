"""The duty of appointments: reminders on the open day before."""

from __future__ import annotations

from opticshop.core.actor import system
from opticshop.core.duties import duty

from . import services

APPOINTMENTS = system("appointments")


@duty("appointments.remind", every_seconds=300, queue="messages")
def remind() -> int:
    return services.reminders_queue(actor=APPOINTMENTS)
