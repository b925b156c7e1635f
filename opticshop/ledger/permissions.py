from enum import StrEnum


class LedgerPermission(StrEnum):
    VIEW = "ledger.view"
    EXPORT = "ledger.export"
    CLOSE = "ledger.close"
