from enum import StrEnum


class BranchPermission(StrEnum):
    VIEW = "branches.view"
    EDIT = "branches.edit"
    CALENDAR = "branches.calendar"
