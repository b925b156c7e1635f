"""How much to keep: base-stock levels, reorder points, expected shortage, fill rate, newsvendor quantities.

Pure computation; no Django, no clock. A branch looks at its cells every ``review`` weeks; what is ordered arrives
``lead`` weeks later. The position of a cell is what is available plus what is on its way. An order placed now must
last until the next one arrives, so the level is set against the demand over lead time and review together.

Formulas are those of the periodic review order-up-to policy with waiting customers, as in the usual texts (Silver,
Pyke and Thomas; Axsater; Snyder and Shen; from memory). Where a customer who finds nothing goes away instead, the true
fill rate is a little higher than the one said here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from .counts import HIGHEST_LEVEL, Counts
from .demand import DemandModel

ServiceKind = Literal["cycle", "fill"]


@dataclass(frozen=True, slots=True)
class Levels:
    """Order when the position is at or below ``reorder_point``, up to ``order_up_to``; None and 0: not kept in stock.

    ``cycle_service`` is the chance that a cycle passes without a shortage, ``fill_rate`` the share of pieces asked for
    that are handed out at once, both at the lowest position that places no order (the level the service was set for).
    """

    reorder_point: int | None
    order_up_to: int
    cycle_service: float
    fill_rate: float


def expected_left(demand: Counts, level: float) -> float:
    """E[(level - D)+]: pieces left over."""
    return level - demand.mean() + demand.short(level)


def fill_rate(model: DemandModel, level: float, *, lead: float, review: float) -> float:
    """Share of demand met from the drawer when the position is raised to ``level`` every ``review`` weeks.

    A cycle's new shortages are those at its end less those that were there when its order arrived:
    1 - (E[(D(lead + review) - S)+] - E[(D(lead) - S)+]) / E[D(review)]. With review 0 (every piece reordered at once)
    it is the chance of finding a piece: P(D(lead) <= S - 1). Weeks; between 0 and 1; 1 without demand.
    """
    if model.mean_per_week == 0:
        return 1.0
    if review == 0:
        return model.over(lead).cdf(level - 1)
    new = model.over(lead + review).short(level) - model.over(lead).short(level)
    return min(1.0, max(0.0, 1 - new / (model.mean_per_week * review)))


def cycle_service(model: DemandModel, level: float, *, lead: float, review: float) -> float:
    """The chance that a cycle passes without a shortage: P(D(lead + review) <= level)."""
    return model.over(lead + review).cdf(level)


def base_stock(model: DemandModel, *, service: float, kind: ServiceKind, lead: float, review: float) -> int:
    """The smallest level whose service, of the stated kind, is at least ``service`` (strictly between 0 and 1)."""
    if not 0 < service < 1:
        raise ValueError("a service level lies between 0 and 1")
    if model.mean_per_week == 0:
        return 0
    if kind == "cycle":
        return model.over(lead + review).ppf(service)
    low, high = -1, 1
    while fill_rate(model, high, lead=lead, review=review) < service:
        low, high = high, high * 2
        if high > HIGHEST_LEVEL:
            raise ValueError("no level reaches this service")
    while high - low > 1:
        middle = (low + high) // 2
        if fill_rate(model, middle, lead=lead, review=review) >= service:
            high = middle
        else:
            low = middle
    return high


def levels_for(
    model: DemandModel,
    *,
    service: float,
    kind: ServiceKind,
    lead: float,
    review: float,
    cover: float = 0.0,
) -> Levels:
    """Reorder point and order-up-to level. ``cover``: weeks of mean demand that an order brings beyond the level.

    With no cover the two are neighbours (base stock): every piece used is ordered at the next review.
    """
    level = base_stock(model, service=service, kind=kind, lead=lead, review=review)
    if level <= 0:
        level = 0
    return Levels(
        reorder_point=level - 1 if level else None,
        order_up_to=level + math.ceil(model.mean_per_week * cover) if level else 0,
        cycle_service=cycle_service(model, level, lead=lead, review=review),
        fill_rate=fill_rate(model, level, lead=lead, review=review),
    )


def newsvendor_quantity(demand: Counts, *, underage: float, overage: float) -> float:
    """The quantity that balances one piece too few (costs ``underage``) against one too many (``overage``), both > 0.

    The smallest Q with P(D <= Q) at least the critical ratio underage / (underage + overage).
    """
    if underage <= 0 or overage <= 0:
        raise ValueError("both costs are positive")
    return demand.ppf(underage / (underage + overage))


def newsvendor_cost(demand: Counts, quantity: float, *, underage: float, overage: float) -> float:
    """Expected cost of a quantity: underage x E[(D - Q)+] + overage x E[(Q - D)+]."""
    return underage * demand.short(quantity) + overage * expected_left(demand, quantity)
