"""Replay demand day by day under a policy: what would have been handed out, what would have lain in the drawers.

Pure computation on arrays (days x cells). A day goes: on review days every cell at or below its reorder point is
ordered up to its level; deliveries that are due arrive and waiting customers are served; then the day's customers
come. An order of day d arrives on the morning of day d + lead, on the same day with no lead. The drawers start full,
at the order-up-to level of each cell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int64]
Real = NDArray[np.float64]

#: Reorder point of a cell that is never ordered.
NEVER = -(10**6)


@dataclass(frozen=True, slots=True)
class Plan:
    """Per cell: reorder point (NEVER: not kept), order-up-to level, lead time in days, pieces per pack.

    ``review_days`` is common to all. Arrays of equal length.
    """

    reorder_point: Whole
    order_up_to: Whole
    lead_days: Whole
    pack: Whole
    review_days: int

    def __post_init__(self) -> None:
        if self.review_days < 1 or (self.lead_days < 0).any() or (self.pack < 1).any():
            raise ValueError("a review is every day or more seldom, a lead time is not negative, a pack is not empty")


def base_level(level: int, cells: int, *, lead_days: Whole, pack: Whole, review_days: int) -> Plan:
    """The plan that keeps the same level everywhere: order whenever fewer are there or on the way."""
    return Plan(
        np.full(cells, level - 1, dtype=np.int64), np.full(cells, level, dtype=np.int64), lead_days, pack, review_days
    )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a replay came to, over all cells.

    ``filled`` of ``asked`` pieces were handed out at once. ``stock_out_days`` counts days of a cell on which somebody
    went without. ``cells_short`` counts the cells that ever were short. ``average_value`` is the money that lay in
    the drawers at the end of the average day, ``orders`` the review days on which anything was ordered and
    ``order_lines`` the cells ordered on them. The arrays are per cell.
    """

    asked: int
    filled: int
    stock_out_days: int
    cells_short: int
    average_pieces: float
    average_value: float
    orders: int
    order_lines: int
    pieces_ordered: int
    cells_kept: int
    filled_by_cell: Whole
    average_pieces_by_cell: Real

    @property
    def fill_rate(self) -> float:
        return self.filled / self.asked if self.asked else 1.0


def replay(demand: Whole, plan: Plan, unit_cost: Real, *, customers_wait: bool = True) -> Outcome:
    """Replay ``demand`` (days x cells, pieces asked for) under the plan, with ``unit_cost`` per cell.

    With ``customers_wait`` who finds nothing is served from the next delivery; otherwise the customer is lost.
    """
    days, cells = demand.shape
    on_hand = plan.order_up_to.astype(np.int64).copy()
    waiting = np.zeros(cells, dtype=np.int64)
    longest = int(plan.lead_days.max(initial=0)) + 1
    arriving = np.zeros((longest, cells), dtype=np.int64)
    on_way = np.zeros(cells, dtype=np.int64)
    columns = np.arange(cells)
    filled, lain = np.zeros(cells, dtype=np.int64), np.zeros(cells, dtype=np.int64)
    short_days = np.zeros(cells, dtype=np.int64)
    orders = order_lines = pieces = 0
    for day in range(days):
        if day % plan.review_days == 0:
            position = on_hand + on_way - waiting
            wanted = np.where(position <= plan.reorder_point, plan.order_up_to - position, 0)
            ordered = -(-np.maximum(wanted, 0) // plan.pack) * plan.pack
            if ordered.any():
                orders += 1
                order_lines += int((ordered > 0).sum())
                pieces += int(ordered.sum())
                arriving[(day + plan.lead_days) % longest, columns] += ordered
                on_way += ordered
        landed = arriving[day % longest]
        on_hand += landed
        on_way -= landed
        arriving[day % longest] = 0
        served = np.minimum(waiting, on_hand)
        waiting -= served
        on_hand -= served
        given = np.minimum(demand[day], on_hand)
        missed = demand[day] - given
        on_hand -= given
        if customers_wait:
            waiting += missed
        filled += given
        short_days += missed > 0
        lain += on_hand
    average = lain / max(days, 1)
    return Outcome(
        asked=int(demand.sum()),
        filled=int(filled.sum()),
        stock_out_days=int(short_days.sum()),
        cells_short=int((short_days > 0).sum()),
        average_pieces=float(average.sum()),
        average_value=float((average * unit_cost).sum()),
        orders=orders,
        order_lines=order_lines,
        pieces_ordered=pieces,
        cells_kept=int((plan.order_up_to > 0).sum()),
        filled_by_cell=filled,
        average_pieces_by_cell=average,
    )
