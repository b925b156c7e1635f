from enum import StrEnum


class AccountPermission(StrEnum):
    VIEW = "accounts.view"
    MANAGE = "accounts.manage"
