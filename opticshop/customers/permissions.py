from enum import StrEnum


class CustomerPermission(StrEnum):
    VIEW = "customers.view"
    EDIT = "customers.edit"
    MERGE = "customers.merge"
