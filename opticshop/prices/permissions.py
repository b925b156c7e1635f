from enum import StrEnum


class PricePermission(StrEnum):
    VIEW = "prices.view"
    EDIT = "prices.edit"
    GRANT = "prices.grant"
    CLAIM = "prices.claim"
    VIEW_VOUCHERS = "prices.view_vouchers"
