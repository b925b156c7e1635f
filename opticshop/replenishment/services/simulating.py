"""Trying a policy on a branch's own history, against keeping the same few pieces everywhere. Nothing is written."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

import numpy as np

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.stock.models import StockItem
from opticshop.stock.powers import powers_in_range

from .. import selectors
from ..advising import fit_cells, levels_of
from ..demand import CellHistory, DemandModel, drawn, fit
from ..parameters import Parameters
from ..permissions import ReplenishmentPermission
from ..policy import Levels
from ..selectors import Supplies, monday_of
from ..simulating import NEVER, Outcome, Plan, Real, Whole, base_level, replay
from .running import TooManyPowers, lenses_kept

Power = tuple[uuid.UUID, Decimal, Decimal]  # lens product, sphere, cylinder
DemandSource = Literal["history", "drawn"]
#: Powers that one simulation may hold.
MOST_POWERS = 10_000


class HistoryTooShort(Conflict):
    """There is no demand before the days to be replayed, so there is nothing to learn the levels from."""

    code = "replenishment.history_too_short"
    title = "There is not enough history"


@dataclass(frozen=True, slots=True)
class Taken:
    """Pieces of one power taken on one day, minus-cylinder form: history that is given instead of the ledger's."""

    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    on: dt.date
    quantity: int


@dataclass(frozen=True, slots=True)
class Simulation:
    """What the replay came to. The levels were learned from the weeks before ``since`` only."""

    branch: Branch
    since: dt.date
    until: dt.date
    fitted_weeks: int
    powers: int
    powers_without_cost: int
    parameters: Parameters
    baseline_level: int
    demand: DemandSource
    seed: int
    customers_wait: bool
    predicted_fill_rate: float
    policy: Outcome
    baseline: Outcome
    currency: str

    @property
    def sentence(self) -> str:
        """The comparison in words."""
        ours, plain = self.policy, self.baseline
        return (
            f"From {self.since} to {self.until}, {ours.asked} pieces were asked for. With levels learned from the "
            f"{self.fitted_weeks} weeks before, {ours.fill_rate:.1%} would have been in the drawer, with "
            f"{ours.average_value:.2f} {self.currency} tied up and {ours.orders} orders; with {self.baseline_level} of "
            f"every power, {plain.fill_rate:.1%}, {plain.average_value:.2f} {self.currency} and {plain.orders} orders."
        )


def simulate(
    *,
    actor: Actor,
    branch: Branch,
    parameters: Parameters,
    lenses: Sequence[LensProduct] = (),
    replay_weeks: int = 26,
    baseline_level: int = 2,
    demand: DemandSource = "history",
    seed: int = 0,
    customers_wait: bool = True,
    given: Sequence[Taken] | None = None,
) -> Simulation:
    """Learn levels from the history before the last ``replay_weeks``, then replay those weeks day by day.

    Every power in the range of the lenses takes part. ``given`` takes the place of the ledger, for exactly one lens.
    ``drawn`` replays demand drawn at random (by ``seed``) from the models instead of what happened. Raises
    HistoryTooShort, NothingKept, NotKeptByPower or TooManyPowers.
    """
    actor.require(ReplenishmentPermission.RUN, branch.id)
    kept = list(lenses) if given is not None else lenses_kept([branch], lenses)
    powers = _powers(kept)
    today = clock.today(branch.time_zone)
    if given is None:
        until = monday_of(today)
        since = until - dt.timedelta(weeks=replay_weeks)
        models, asked, weeks = _from_ledger(branch, kept, powers, parameters.weeks, since, until)
    else:
        until = max((row.on for row in given), default=today) + dt.timedelta(days=1)
        since = until - dt.timedelta(weeks=replay_weeks)
        models, asked, weeks = _from_rows(kept[0], powers, given, parameters.weeks, since, until)
    if not any(model.mean_per_week for model in models):
        raise HistoryTooShort(f"Nothing was used in the {parameters.weeks} weeks before {since}.", field="replay_weeks")
    if demand == "drawn":
        generator = np.random.default_rng(seed)
        asked = np.stack([drawn(model, len(asked), generator) for model in models], axis=1)
    supplies = Supplies(kept, day=today, currency=branch.currency)
    found = [supplies.of(lens_id, (sphere, cylinder)) for lens_id, sphere, cylinder in powers]
    lead = [supply.lead_days if supply else parameters.lead_days for supply in found]
    pack = np.array([supply.pack if supply else 1 for supply in found], dtype=np.int64)
    costs = _costs(branch, kept, powers, [supply.unit_cost if supply else None for supply in found])
    levels = [levels_of(model, days, parameters) for model, days in zip(models, lead, strict=True)]
    lead_days = np.array(lead, dtype=np.int64)
    review = parameters.review_days
    plain = base_level(baseline_level, len(powers), lead_days=lead_days, pack=pack, review_days=review)
    return Simulation(
        branch=branch,
        since=since,
        until=until,
        fitted_weeks=weeks,
        powers=len(powers),
        powers_without_cost=int((costs == 0).sum()),
        parameters=parameters,
        baseline_level=baseline_level,
        demand=demand,
        seed=seed,
        customers_wait=customers_wait,
        predicted_fill_rate=_predicted(models, levels),
        policy=replay(asked, _plan(levels, lead_days, pack, review), costs, customers_wait=customers_wait),
        baseline=replay(asked, plain, costs, customers_wait=customers_wait),
        currency=branch.currency,
    )


def _powers(lenses: Sequence[LensProduct]) -> dict[Power, int]:
    """Every power in the range of the lenses -> its column."""
    powers: dict[Power, int] = {}
    for lens in lenses:
        spheres, cylinders = powers_in_range(lens)
        if len(powers) + len(spheres) * len(cylinders) > MOST_POWERS:
            raise TooManyPowers(field="lenses", allowed=f"at most {MOST_POWERS} powers")
        for sphere in spheres:
            for cylinder in cylinders:
                powers[lens.id, sphere, cylinder] = len(powers)
    return powers


def _from_ledger(
    branch: Branch,
    lenses: Sequence[LensProduct],
    powers: Mapping[Power, int],
    weeks: int,
    since: dt.date,
    until: dt.date,
) -> tuple[list[DemandModel], Whole, int]:
    """Models learned before ``since`` (also from other branches), and pieces asked for per day from then on."""
    group = list(Branch.objects.filter(is_active=True))
    history = selectors.weekly_demand(group, lenses, weeks=weeks, until=since)
    days = selectors.daily_demand(branch, lenses, since=since, until=until)
    items = selectors.items_of({cell[1] for cell in history.counts} | set(days))
    fitted = fit_cells(history, items)
    models = [DemandModel(0.0)] * len(powers)
    asked = np.zeros(((until - since).days, len(powers)), dtype=np.int64)
    for item in items.values():
        column = powers.get(_power_of(item))
        if column is None:
            continue  # taken at a time when the product had another range
        models[column] = fitted.models.get((branch.id, item.id), DemandModel(0.0))
        for day, pieces in days.get(item.id, {}).items():
            asked[(day - since).days, column] = pieces
    learned = max((weeks for (branch_id, _), weeks in history.kept.items() if branch_id == branch.id), default=0)
    return models, asked, learned


def _from_rows(
    lens: LensProduct, powers: Mapping[Power, int], given: Sequence[Taken], weeks: int, since: dt.date, until: dt.date
) -> tuple[list[DemandModel], Whole, int]:
    """The same from rows of history; weeks count back from ``since``. Powers out of range are left out."""
    first = min((row.on for row in given), default=since)
    weeks = min(weeks, -(-(since - first).days // 7))
    if weeks < 1:
        raise HistoryTooShort(f"The history given begins on {first}; the replay begins on {since}.", field="history")
    weekly = np.zeros((weeks, len(powers)), dtype=np.int64)
    asked = np.zeros(((until - since).days, len(powers)), dtype=np.int64)
    for row in given:
        column = powers.get((lens.id, row.sphere_dpt, row.cylinder_dpt))
        week = weeks - 1 - ((since - row.on).days - 1) // 7
        if column is None or (row.on < since and week < 0):
            continue
        if row.on >= since:
            asked[(row.on - since).days, column] += row.quantity
        else:
            weekly[week, column] += row.quantity
    models = [fit(CellHistory(tuple(int(count) for count in weekly[:, column]))) for column in range(len(powers))]
    return models, asked, weeks


def _power_of(item: StockItem) -> Power:
    assert item.lens_id is not None
    assert item.sphere_dpt is not None
    assert item.cylinder_dpt is not None
    return item.lens_id, item.sphere_dpt, item.cylinder_dpt


def _costs(
    branch: Branch, lenses: Sequence[LensProduct], powers: Mapping[Power, int], prices: Sequence[Decimal | None]
) -> Real:
    """Cost of a piece per power: today's price, else what lies there cost, else the mean of the product, else 0."""
    costs = np.array([float(price) if price is not None else np.nan for price in prices])
    held = selectors.positions([branch], lenses)
    for item in selectors.items_of({cell[1] for cell in held}).values():
        column, average = powers.get(_power_of(item)), held[branch.id, item.id].average_cost
        if column is not None and average is not None and np.isnan(costs[column]):
            costs[column] = float(average)
    products = np.array([str(lens_id) for lens_id, _, _ in powers])
    for lens in lenses:
        mine = products == str(lens.id)
        known = costs[mine & ~np.isnan(costs)]
        costs[mine & np.isnan(costs)] = known.mean() if len(known) else 0.0
    return costs


def _plan(levels: Sequence[Levels], lead_days: Whole, pack: Whole, review_days: int) -> Plan:
    points = [NEVER if each.reorder_point is None else each.reorder_point for each in levels]
    return Plan(
        np.array(points, dtype=np.int64),
        np.array([each.order_up_to for each in levels], dtype=np.int64),
        lead_days,
        pack,
        review_days,
    )


def _predicted(models: Sequence[DemandModel], levels: Sequence[Levels]) -> float:
    """The fill rate expected over all powers, each weighed by its demand; what is not kept is never filled."""
    total = sum(model.mean_per_week for model in models)
    filled = sum(
        model.mean_per_week * each.fill_rate for model, each in zip(models, levels, strict=True) if each.order_up_to
    )
    return filled / total if total else 1.0
