"""Less for a second pair that is ordered soon after the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from opticshop.plugin_api import EarlierOrder, PriceAdjustment, PricingContext

from .sharing import goods_of, rounded, taken_off

RULE = "second-pair"


def second_pair_adjustments(
    context: PricingContext, offer: Mapping[str, Any] | None, *, before: Sequence[PriceAdjustment] = ()
) -> tuple[PriceAdjustment, ...]:
    """What the offer takes off the goods of this pair; ``before`` is what is taken off already."""
    if offer is None or (_complete_only(offer) and not context.is_complete_pair):
        return ()
    firsts = _unused_firsts(context, offer)
    if not firsts:
        return ()
    costs = goods_of(context.lines)
    for one in before:
        if one.line_index in costs:
            costs[one.line_index] += one.amount
    first = max(firsts, key=lambda order: (_goods(order), order.placed_on))
    basis = sum(costs.values(), Decimal(0))
    if offer.get("cheaper_pair_only", True):
        basis = min(basis, _goods(first))
    off, words = _worth(basis, offer, context)
    reason = f"Second pair within {offer['days_within']} days of {first.placed_on}: {words}"
    return taken_off(off, costs, context.smallest_unit, reason=reason, rule=RULE)


def _worth(basis: Decimal, offer: Mapping[str, Any], context: PricingContext) -> tuple[Decimal, str]:
    """What is taken off, rounded half up once, and the words for it."""
    if "percent" in offer:
        percent = Decimal(offer["percent"])
        return rounded(basis * percent / 100, context.smallest_unit), f"{offer['percent']} percent off"
    amount = min(rounded(Decimal(offer["amount"]), context.smallest_unit), basis)
    return amount, f"{amount} {context.currency} off"


def _unused_firsts(context: PricingContext, offer: Mapping[str, Any]) -> list[EarlierOrder]:
    """Earlier pairs at full price that no other second pair has counted on, and that are near enough.

    Each second pair uses up the oldest first pair near enough to it that is still free.
    """
    within = offer["days_within"]
    free: list[EarlierOrder] = []
    for order in context.earlier_orders:
        if order.currency != context.currency or (_complete_only(offer) and not order.is_complete_pair):
            continue
        if RULE not in order.rules:
            free.append(order)
            continue
        near = [first for first in free if _is_near(first.placed_on, order.placed_on, within)]
        if near:
            free.remove(near[0])
    return [first for first in free if _is_near(first.placed_on, context.priced_on, within)]


def _complete_only(offer: Mapping[str, Any]) -> bool:
    return bool(offer.get("complete_pairs_only", True))


def _goods(order: EarlierOrder) -> Decimal:
    return sum(goods_of(order.lines).values(), Decimal(0))


def _is_near(first: date, second: date, within: int) -> bool:
    return 0 <= (second - first).days <= within
