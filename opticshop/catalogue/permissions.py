from enum import StrEnum


class CataloguePermission(StrEnum):
    VIEW = "catalogue.view"
    EDIT = "catalogue.edit"
