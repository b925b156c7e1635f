from enum import StrEnum


class PrescriptionPermission(StrEnum):
    VIEW = "prescriptions.view"
    RECORD = "prescriptions.record"
    MEASURE = "prescriptions.measure"
    OVERRIDE = "prescriptions.override"
