from enum import StrEnum


class PrivacyPermission(StrEnum):
    VIEW = "privacy.view"
    HANDLE = "privacy.handle"
