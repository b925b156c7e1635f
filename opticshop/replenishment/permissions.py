from enum import StrEnum


class ReplenishmentPermission(StrEnum):
    VIEW = "replenishment.view"
    RUN = "replenishment.run"
