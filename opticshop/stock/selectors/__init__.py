"""Reads of stock.

``lots`` holds lots, items and availability, ``grid`` the powers of a lens product, ``proof`` the proof of the ledger.
"""

from __future__ import annotations

from .grid import Cell, Elsewhere, Found, as_matrices, cells_of, found_of
from .lots import available, frame_item, lens_item, lot_get_for, lots_of_item, lots_visible_to, movements_visible_to
from .proof import Difference, ledger_differences

__all__ = [
    "Cell",
    "Difference",
    "Elsewhere",
    "Found",
    "as_matrices",
    "available",
    "cells_of",
    "found_of",
    "frame_item",
    "ledger_differences",
    "lens_item",
    "lot_get_for",
    "lots_of_item",
    "lots_visible_to",
    "movements_visible_to",
]
