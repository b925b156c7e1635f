"""What every write of an alert does: a step in its history and an event for others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet

from ..kinds import LIVE_STATES
from ..models import Alert, AlertStep


def alerts() -> BranchQuerySet[Alert]:
    return Alert.objects.everywhere("by key, or the system's own watch; permission checked by the caller")


def lock_live(found: Iterable[Alert]) -> list[Alert]:
    """Those of the alerts that still live, locked and read again."""
    keys = [alert.id for alert in found]
    return lock_rows(alerts().filter(id__in=keys, state__in=LIVE_STATES)) if keys else []


def write(rows: Sequence[Alert], *columns: str) -> None:
    """Write the columns of locked rows, with the next version."""
    for alert in rows:
        alert.version += 1
    alerts().bulk_update(rows, [*columns, "version"], batch_size=200)


def tell(
    rows: Sequence[Alert], kind: str, event: str, actor: Actor, *, note: str = "", more: Sequence[Any] = ()
) -> None:
    """One step and one event for each row; ``more`` is what each event says besides, in the order of the rows."""
    now = clock.now()
    AlertStep.objects.bulk_create(
        [
            AlertStep(
                alert=alert,
                kind=kind,
                at=now,
                severity=alert.severity,
                by_id=actor.id,
                by_label=actor.label,
                note=note,
            )
            for alert in rows
        ],
        batch_size=500,
    )
    outbox.record_many(
        actor=actor,
        happenings=[
            outbox.Happening(
                event_type=event,
                subject=f"alerts/{alert.id}",
                branch_id=alert.branch_id,
                data={
                    "alert": str(alert.id),
                    "cause": alert.cause,
                    "about": alert.about,
                    "severity": str(alert.severity),
                    **(more[place] if more else {}),
                },
            )
            for place, alert in enumerate(rows)
        ],
    )
