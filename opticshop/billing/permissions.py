from enum import StrEnum


class BillingPermission(StrEnum):
    VIEW = "billing.view"
    EXPORT = "billing.export"
    TAKE = "billing.take"
    REFUND = "billing.refund"
    TILL = "billing.till"
    REOPEN_TILL = "billing.reopen_till"
    INVOICE = "billing.invoice"
    FORFEIT = "billing.forfeit"
    WRITE_OFF = "billing.write_off"
    UNDO_SETTLEMENT = "billing.undo_settlement"
