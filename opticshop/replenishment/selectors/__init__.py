"""Reads of replenishment.

``demand`` and ``positions`` read the ledger, ``supplies`` the suppliers, ``habits`` classes and dead stock, ``runs``
what was advised before.
"""

from __future__ import annotations

from .demand import WeeklyDemand, daily_demand, monday_of, moved_values, weekly_demand
from .habits import (
    DEAD_AFTER_MONTHS,
    DeadLot,
    class_table,
    classes_of,
    dead_stock_at,
    dead_stock_visible_to,
    not_moved_for,
)
from .positions import Position, items_of, positions
from .runs import lines_get_for, lines_visible_to, run_get_for, runs_visible_to
from .supplies import Supplies, Supply

__all__ = [
    "DEAD_AFTER_MONTHS",
    "DeadLot",
    "Position",
    "Supplies",
    "Supply",
    "WeeklyDemand",
    "class_table",
    "classes_of",
    "daily_demand",
    "dead_stock_at",
    "dead_stock_visible_to",
    "items_of",
    "lines_get_for",
    "lines_visible_to",
    "monday_of",
    "moved_values",
    "not_moved_for",
    "positions",
    "run_get_for",
    "runs_visible_to",
    "weekly_demand",
]
