"""From the ledger to advice: fit the demand of every power at every branch, set levels, send surplus, then buy.

Reads only. The demand of all active branches is looked at, so that a short history can borrow from the group; of the
branches that are not asked for, nothing but that is told.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.stock.models import StockItem

from . import selectors
from .choosing import CellState, Purchase, Transfer, purchases_for, transfers_for
from .counts import Counts
from .demand import CellHistory, DemandModel, branch_sizes, fit_group
from .parameters import Parameters
from .policy import Levels, levels_for
from .selectors import Position, Supplies, Supply, WeeklyDemand

Cell = tuple[uuid.UUID, uuid.UUID]  # (branch, item)


@dataclass(slots=True)
class Advice:
    """One power at one branch with all that was found out about it."""

    branch: Branch
    item: StockItem
    model: DemandModel
    levels: Levels
    position: Position
    pieces_used: int
    weeks: int
    lead_days: int
    abc_class: str
    supply: Supply | None
    transfer: Transfer | None = None
    purchase: Purchase | None = None

    @property
    def matters(self) -> bool:
        """Whether there is anything to say: it is kept, asked for, there or on its way."""
        position = self.position
        return bool(self.levels.order_up_to or self.pieces_used or position.on_hand or position.total)


@dataclass(slots=True)
class Fitted:
    """Demand models per (branch, item), with the history behind them."""

    models: dict[Cell, DemandModel] = field(default_factory=dict)
    histories: dict[Cell, CellHistory] = field(default_factory=dict)


def fit_cells(demand: WeeklyDemand, items: Mapping[uuid.UUID, StockItem]) -> Fitted:
    """A model for every item at every branch that keeps its product, the branches of an item fitted together."""
    pieces: dict[uuid.UUID, int] = {}
    for (branch_id, _), counts in demand.counts.items():
        pieces[branch_id] = pieces.get(branch_id, 0) + sum(counts)
    weeks: dict[uuid.UUID, int] = {}
    keepers: dict[uuid.UUID, list[uuid.UUID]] = {}
    for (branch_id, lens_id), kept in demand.kept.items():
        weeks[branch_id] = max(weeks.get(branch_id, 0), kept)
        keepers.setdefault(lens_id, []).append(branch_id)
    sizes = branch_sizes(pieces, weeks)
    fitted = Fitted()
    for item in items.values():
        lens_id, _ = key_of(item)
        group = {
            (branch_id, item.id): CellHistory(demand.of(branch_id, item.id, lens_id), sizes[branch_id])
            for branch_id in keepers.get(lens_id, [])
        }
        fitted.histories |= group
        fitted.models |= zip(group, fit_group(list(group.values())), strict=True)
    return fitted


def advise(
    branches: Sequence[Branch],
    *,
    group: Sequence[Branch],
    lenses: Sequence[LensProduct],
    parameters: Parameters,
    currency: str,
    budget: Decimal | None,
    today: dt.date,
) -> list[Advice]:
    """What to do with every power of the lenses at the branches; ``group``: whose demand may be learned from."""
    until = selectors.monday_of(today)
    demand = selectors.weekly_demand(group, lenses, weeks=parameters.weeks, until=until)
    held = selectors.positions(branches, lenses)
    items = selectors.items_of({cell[1] for cell in demand.counts} | {cell[1] for cell in held})
    fitted = fit_cells(demand, items)
    supplies = Supplies(lenses, day=today, currency=currency)
    classes = selectors.classes_of(branches, weeks=parameters.weeks, until=until)
    found = [
        _looked_at(branch, item, fitted, held, supplies, classes.get((branch.id, item.id), "D"), parameters)
        for branch in branches
        for item in items.values()
        if (branch.id, item.id) in fitted.models or (branch.id, item.id) in held
    ]
    _choose(found, parameters, budget)
    return [advice for advice in found if advice.matters]


def _looked_at(
    branch: Branch,
    item: StockItem,
    fitted: Fitted,
    held: Mapping[Cell, Position],
    supplies: Supplies,
    abc_class: str,
    parameters: Parameters,
) -> Advice:
    cell = branch.id, item.id
    model, history = fitted.models.get(cell, DemandModel(0.0)), fitted.histories.get(cell)
    supply = supplies.of(*key_of(item))
    lead_days = supply.lead_days if supply else parameters.lead_days
    return Advice(
        branch=branch,
        item=item,
        model=model,
        levels=levels_of(model, lead_days, parameters),
        position=held.get(cell) or Position(),
        pieces_used=history.pieces if history else 0,
        weeks=history.weeks if history else 0,
        lead_days=lead_days,
        abc_class=abc_class,
        supply=supply,
    )


def key_of(item: StockItem) -> tuple[uuid.UUID, tuple[Decimal, Decimal]]:
    """The lens product and the power of an item."""
    assert item.lens_id is not None
    assert item.sphere_dpt is not None
    assert item.cylinder_dpt is not None
    return item.lens_id, (item.sphere_dpt, item.cylinder_dpt)


def levels_of(model: DemandModel, lead_days: int, parameters: Parameters) -> Levels:
    return levels_for(
        model,
        service=float(parameters.service),
        kind=parameters.kind,
        lead=lead_days / 7,
        review=parameters.review_days / 7,
        cover=parameters.cover_days / 7,
    )


def _protected(advice: Advice, parameters: Parameters) -> Counts:
    """Demand until an order placed at the next review would arrive."""
    return advice.model.over((advice.lead_days + parameters.review_days) / 7)


def _choose(found: Sequence[Advice], parameters: Parameters, budget: Decimal | None) -> None:
    """Write transfers and purchases into the advice."""
    by_cell = {(advice.branch.id, advice.item.id): advice for advice in found}
    states = [
        CellState(
            branch=advice.branch.id,
            item=advice.item.id,
            levels=advice.levels,
            available=advice.position.spare,
            position=advice.position.total,
            demand=_protected(advice, parameters),
            unit_cost=advice.supply.unit_cost if advice.supply and _is_bought(advice.item) else None,
            pack=advice.supply.pack if advice.supply else 1,
        )
        for advice in found
    ]
    arriving: dict[Cell, int] = {}
    if parameters.transfers:
        for transfer in transfers_for(states):
            by_cell[transfer.destination, transfer.item].transfer = transfer
            arriving[transfer.destination, transfer.item] = transfer.quantity
    for purchase in purchases_for(states, arriving=arriving, budget=budget):
        by_cell[purchase.cell.branch, purchase.cell.item].purchase = purchase


def _is_bought(item: StockItem) -> bool:
    return item.lens is not None and item.lens.is_active
