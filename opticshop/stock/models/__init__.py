"""Tables of stock. ``ledger`` holds items, lots, movements and promises, ``levels`` what is wanted and expected."""

from __future__ import annotations

from .ledger import Lot, Movement, Reservation, StockItem
from .levels import Expected, ExpectedChange, StockLevel

__all__ = ["Expected", "ExpectedChange", "Lot", "Movement", "Reservation", "StockItem", "StockLevel"]
