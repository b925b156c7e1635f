from enum import StrEnum


class CorrespondencePermission(StrEnum):
    VIEW = "correspondence.view"
    MANAGE = "correspondence.manage"
