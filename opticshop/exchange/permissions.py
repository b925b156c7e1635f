from enum import StrEnum


class ExchangePermission(StrEnum):
    VIEW = "exchange.view"
    ADMIT = "exchange.admit"
