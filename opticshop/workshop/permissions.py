from enum import StrEnum


class WorkshopPermission(StrEnum):
    VIEW = "workshop.view"
    WORK = "workshop.work"
