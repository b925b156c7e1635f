from enum import StrEnum


class BillingPermission(StrEnum):
    VIEW = "billing.view"
    TAKE = "billing.take"
    REFUND = "billing.refund"
