from enum import StrEnum


class QualityPermission(StrEnum):
    VIEW = "quality.view"
    INSPECT = "quality.inspect"
    HANDOVER = "quality.handover"
