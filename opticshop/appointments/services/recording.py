"""What every write of an appointment leaves behind."""

from __future__ import annotations

from typing import Any

from opticshop.core import outbox
from opticshop.core.actor import Actor

from ..models import Appointment


def record(event_type: str, appointment: Appointment, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"appointments/{appointment.id}",
        actor=actor,
        branch_id=appointment.branch_id,
        data={
            "appointment": str(appointment.id),
            "customer": str(appointment.customer_id),
            "kind": appointment.kind,
            "starts_at": appointment.starts_at.isoformat(),
            **more,
        },
    )
