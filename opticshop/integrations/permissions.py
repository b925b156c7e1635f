from enum import StrEnum


class IntegrationPermission(StrEnum):
    VIEW = "integrations.view"
    MANAGE = "integrations.manage"
