"""An instrument that is due for a check, overdue, or failed one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from opticshop.core.actor import system
from opticshop.instruments.calibration import calibration
from opticshop.instruments.kinds import CalibrationState
from opticshop.instruments.permissions import InstrumentPermission
from opticshop.instruments.selectors import instruments_visible_to

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds, api

_WORDS = {"due": "is due for a check", "overdue": "is overdue for a check", "failed": "failed its last check"}
_WATCH = system("alerts")


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """Two queries: the instruments in service, and their latest checks."""
    soon = place.today + dt.timedelta(days=given["days_ahead"])
    rows = instruments_visible_to(_WATCH).filter(branch=place.branch, in_service=True).order_by("id")
    for instrument in rows:
        checks = instrument.latest_checks  # type: ignore[attr-defined]
        state = calibration(instrument, checks, today=place.today, zone=place.calendar.zone)
        if state.state == CalibrationState.FAILED:
            said, severity = "failed", Severity.URGENT
        elif state.state == CalibrationState.OVERDUE:
            said, severity = "overdue", Severity.WARNING
        elif state.due_on is not None and state.due_on <= soon:
            said, severity = "due", Severity.NOTICE
        else:
            continue
        yield Found(
            key=f"instruments/{instrument.id}",
            about=f"instruments/{instrument.id}",
            link=api("instruments", instrument.id),
            number=instrument.name,
            severity=severity,
            since=place.now if state.due_on is None else min(place.now, place.start_of(state.due_on)),
            facts={
                "kind": str(instrument.kind),
                "state": said,
                "due_on": None if state.due_on is None else state.due_on.isoformat(),
            },
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    by = f" (by {facts['due_on']})" if facts["due_on"] else ""
    return f"{number} {_WORDS[facts['state']]}{by}."


CAUSE = Cause(
    name="calibration_due",
    title="Instrument due for a check",
    action="Check the instrument with its check pieces, or take it out of service.",
    owner_role="workshop",
    needs=InstrumentPermission.VIEW,
    thresholds=(Threshold("days_ahead", "Raised when the next check is due within so many days", 1, "days", 0, 90),),
    find=find,
    words=words,
)
