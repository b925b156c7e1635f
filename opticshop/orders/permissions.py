from enum import StrEnum


class OrderPermission(StrEnum):
    VIEW = "orders.view"
    PLACE = "orders.place"
    CANCEL = "orders.cancel"
