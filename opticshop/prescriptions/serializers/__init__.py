"""Shapes in and out, a module per noun."""

from .measurements import MeasurementOut, MeasurementTakeIn
from .prescriptions import (
    OverrideIn,
    OverrideOut,
    PrescriptionAmendIn,
    PrescriptionOut,
    PrescriptionRecordIn,
    written_from,
)

__all__ = [
    "MeasurementOut",
    "MeasurementTakeIn",
    "OverrideIn",
    "OverrideOut",
    "PrescriptionAmendIn",
    "PrescriptionOut",
    "PrescriptionRecordIn",
    "written_from",
]
