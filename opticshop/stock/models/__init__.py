"""Tables of stock.

``ledger`` holds items, lots, movements and promises, ``levels`` what is wanted and expected, ``transfers`` what is on
its way between branches, ``counts`` the stock-takes.
"""

from __future__ import annotations

from .counts import COUNT_MOVES, CountLine, StockCount
from .ledger import Lot, Movement, Reservation, StockItem
from .levels import Expected, ExpectedChange, StockLevel
from .transfers import TRANSFER_MOVES, Transfer, TransferLine

__all__ = [
    "COUNT_MOVES",
    "TRANSFER_MOVES",
    "CountLine",
    "Expected",
    "ExpectedChange",
    "Lot",
    "Movement",
    "Reservation",
    "StockCount",
    "StockItem",
    "StockLevel",
    "Transfer",
    "TransferLine",
]
