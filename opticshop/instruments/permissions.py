from enum import StrEnum


class InstrumentPermission(StrEnum):
    VIEW = "instruments.view"
    CHECK = "instruments.check"
    MANAGE = "instruments.manage"
