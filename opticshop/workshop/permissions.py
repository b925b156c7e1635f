from enum import StrEnum


class WorkshopPermission(StrEnum):
    VIEW = "workshop.view"
    WORK = "workshop.work"
    SET_UP = "workshop.set_up"
