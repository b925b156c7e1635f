"""Reads of stock.

``lots`` holds lots, items and availability, ``grid`` the powers of a lens product, ``transfers`` and ``counts`` their
papers, ``valuation`` what it is all worth, ``proof`` the proof of the ledger.
"""

from __future__ import annotations

from .counts import count_get_for, count_lines_visible_to, counts_visible_to, variances_of
from .grid import Cell, Elsewhere, Found, as_matrices, cells_of, found_of
from .lots import (
    available,
    expected_visible_to,
    frame_item,
    items_get,
    lens_item,
    levels_to_order,
    levels_visible_to,
    lot_get_for,
    lots_of_item,
    lots_visible_to,
    movements_visible_to,
)
from .proof import Difference, ledger_differences
from .transfers import branch_at_the_end, branches_to_trade_with, transfer_get_for, transfers_visible_to
from .valuation import (
    Valuation,
    ValuationImpossible,
    company_method,
    valuations,
    valuations_at,
    valued_items,
    worth_of_items,
)

__all__ = [
    "Cell",
    "Difference",
    "Elsewhere",
    "Found",
    "Valuation",
    "ValuationImpossible",
    "as_matrices",
    "available",
    "branch_at_the_end",
    "branches_to_trade_with",
    "cells_of",
    "company_method",
    "count_get_for",
    "count_lines_visible_to",
    "counts_visible_to",
    "expected_visible_to",
    "found_of",
    "frame_item",
    "items_get",
    "ledger_differences",
    "lens_item",
    "levels_to_order",
    "levels_visible_to",
    "lot_get_for",
    "lots_of_item",
    "lots_visible_to",
    "movements_visible_to",
    "transfer_get_for",
    "transfers_visible_to",
    "valuations",
    "valuations_at",
    "valued_items",
    "variances_of",
    "worth_of_items",
]
