from enum import StrEnum


class StockPermission(StrEnum):
    VIEW = "stock.view"
    RECEIVE = "stock.receive"
    WRITE_OFF = "stock.write_off"
    QUARANTINE = "stock.quarantine"
    LIFT_QUARANTINE = "stock.lift_quarantine"
    SET_LEVELS = "stock.set_levels"
    TRANSFER = "stock.transfer"
    COUNT = "stock.count"
    APPROVE_COUNT = "stock.approve_count"
    VALUE = "valuation.view"
