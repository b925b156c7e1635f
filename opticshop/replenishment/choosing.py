"""What to send from branch to branch and what to buy, first within need, then within a budget. Pure computation.

A cell is in need when its position (available, on order, in transit) is at or below its reorder point; it then wants
to come up to its order-up-to level. Surplus of another branch goes first; the rest is bought in whole packs. When the
budget does not pay for every pack, the pack that saves most expected shortage per unit of money is bought first.
Expected shortage falls by less with every further piece (it is convex in the level), so taking the best pack first is
best as long as packs are small against the budget; what the last pack leaves over is offered to the next that fits.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from .counts import Counts
from .policy import Levels


@dataclass(frozen=True, slots=True)
class CellState:
    """One item at one branch. ``available`` can be given away; ``position`` adds what is on its way.

    ``demand`` is that of lead time and review together. Without a ``unit_cost`` nothing can be bought.
    """

    branch: Any
    item: Any
    levels: Levels
    available: int
    position: int
    demand: Counts
    unit_cost: Decimal | None = None
    pack: int = 1

    @property
    def need(self) -> int:
        """Pieces missing to the order-up-to level; 0 above the reorder point."""
        point = self.levels.reorder_point
        return self.levels.order_up_to - self.position if point is not None and self.position <= point else 0

    @property
    def surplus(self) -> int:
        """Pieces that could go elsewhere: available beyond the order-up-to level (also counting what is coming)."""
        return max(0, min(self.available, self.position - self.levels.order_up_to))


@dataclass(frozen=True, slots=True)
class Transfer:
    """Pieces of one item that another branch has too many of."""

    origin: Any
    destination: Any
    item: Any
    quantity: int


def packs(need: int, pack: int) -> int:
    """The need in pieces, rounded up to whole packs."""
    return math.ceil(need / pack) * pack


def transfers_for(cells: Iterable[CellState]) -> list[Transfer]:
    """Send surplus to need, item by item: the greatest need is served first, from the branch with the greatest surplus.

    A branch never gives what would bring it below its own order-up-to level, and each needing branch is served by one
    sender, so that a drawer does not wait for three parcels.
    """
    by_item: dict[Any, list[CellState]] = {}
    for cell in cells:
        by_item.setdefault(cell.item, []).append(cell)
    sent: list[Transfer] = []
    for item, group in by_item.items():
        spare = {cell.branch: cell.surplus for cell in group if cell.surplus}
        for cell in sorted((c for c in group if c.need), key=lambda c: -c.need):
            origin = max(spare, key=lambda branch: spare[branch], default=None)
            if origin is None or not spare[origin]:
                break
            quantity = min(cell.need, spare[origin])
            spare[origin] -= quantity
            sent.append(Transfer(origin, cell.branch, item, quantity))
    return sent


@dataclass(frozen=True, slots=True)
class Purchase:
    """Pieces to buy for a cell: ``quantity`` of the ``wanted``; fewer where the budget ended."""

    cell: CellState
    wanted: int
    quantity: int

    @property
    def cost(self) -> Decimal:
        return self.quantity * (self.cell.unit_cost or Decimal(0))


def purchases_for(
    cells: Sequence[CellState], *, arriving: Mapping[tuple[Any, Any], int] | None = None, budget: Decimal | None = None
) -> list[Purchase]:
    """What to buy for the cells in need after ``arriving`` ((branch, item) -> pieces sent to it), within the budget.

    The total cost never exceeds the budget. Cells without a price are left out.
    """
    coming = arriving or {}
    wanted: list[tuple[CellState, int, int]] = []
    for cell in cells:
        sent = coming.get((cell.branch, cell.item), 0)
        if cell.need > sent and cell.unit_cost is not None:
            wanted.append((cell, cell.position + sent, packs(cell.need - sent, cell.pack)))
    if budget is None:
        return [Purchase(cell, pieces, pieces) for cell, _, pieces in wanted]
    bought = _within(wanted, budget)
    return [Purchase(cell, pieces, bought[place]) for place, (cell, _, pieces) in enumerate(wanted)]


def _within(wanted: Sequence[tuple[CellState, int, int]], budget: Decimal) -> list[int]:
    """Pieces bought of each, pack by pack, the pack with the most shortage saved per unit of money first."""
    bought = [0] * len(wanted)
    left = budget
    queue = [(-_worth(cell, position), place) for place, (cell, position, _) in enumerate(wanted)]
    heapq.heapify(queue)
    while queue:
        _, place = heapq.heappop(queue)
        cell, position, pieces = wanted[place]
        price = cell.pack * (cell.unit_cost or Decimal(0))
        if price > left:
            continue
        left -= price
        bought[place] += cell.pack
        if bought[place] < pieces:
            heapq.heappush(queue, (-_worth(cell, position + bought[place]), place))
    return bought


def _worth(cell: CellState, position: int) -> float:
    """Expected shortage that one more pack saves, per unit of money; a free pack is worth more than any."""
    saved = cell.demand.short(position) - cell.demand.short(position + cell.pack)
    price = float(cell.pack * (cell.unit_cost or Decimal(0)))
    return saved / price if price else math.inf
