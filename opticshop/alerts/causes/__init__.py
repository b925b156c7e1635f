"""The causes that are watched, one module each. A cause is code with its thresholds as data."""

from __future__ import annotations

from . import (
    calibration_due,
    lens_late,
    low_stock,
    message_failed,
    overdue_job,
    prescription_expiring,
    uncollected,
    unpaid_balance,
    wrong_address,
)
from .kit import Cause, Found, Threshold

__all__ = ["CAUSES", "NAMES", "Cause", "Found", "Threshold"]

CAUSES: dict[str, Cause] = {
    cause.name: cause
    for cause in (
        overdue_job.CAUSE,
        lens_late.CAUSE,
        uncollected.CAUSE,
        unpaid_balance.CAUSE,
        prescription_expiring.CAUSE,
        calibration_due.CAUSE,
        low_stock.CAUSE,
        message_failed.CAUSE,
        wrong_address.CAUSE,
    )
}
NAMES = tuple(CAUSES)
