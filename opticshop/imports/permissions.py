from enum import StrEnum


class ImportPermission(StrEnum):
    VIEW = "imports.view"
    RUN = "imports.run"
