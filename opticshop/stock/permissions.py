from enum import StrEnum


class StockPermission(StrEnum):
    VIEW = "stock.view"
    RECEIVE = "stock.receive"
    WRITE_OFF = "stock.write_off"
    SET_LEVELS = "stock.set_levels"
