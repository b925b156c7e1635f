from enum import StrEnum


class QualityPermission(StrEnum):
    VIEW = "quality.view"
    INSPECT = "quality.inspect"
    HANDOVER = "quality.handover"
    DECIDE_RETURN = "quality.decide_return"
    SUPERVISE = "quality.supervise"
    FIGURES = "quality.figures"
