from enum import StrEnum


class ReminderPermission(StrEnum):
    VIEW = "reminders.view"
    MANAGE = "reminders.manage"
