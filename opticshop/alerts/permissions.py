from enum import StrEnum


class AlertPermission(StrEnum):
    VIEW = "alerts.view"
    HANDLE = "alerts.handle"
    SET_UP = "alerts.set_up"
