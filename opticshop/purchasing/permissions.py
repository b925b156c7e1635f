from enum import StrEnum


class PurchasingPermission(StrEnum):
    VIEW = "purchasing.view"
    ORDER = "purchasing.order"
    RECEIVE = "purchasing.receive"
    EDIT_SUPPLIERS = "purchasing.edit_suppliers"
