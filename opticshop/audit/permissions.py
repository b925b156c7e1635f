from enum import StrEnum


class AuditPermission(StrEnum):
    VIEW = "audit.view"
