"""A discount in money as adjustments of the lines that bear it."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal

from opticshop.plugin_api import PriceAdjustment, PriceLine, shared_out

#: What is made and sold; fees are for work and bear no discount.
GOODS = frozenset(("frame", "lens", "treatment"))


def goods_of(lines: tuple[PriceLine, ...]) -> dict[int, Decimal]:
    """Line -> what it costs, for the lines that are goods."""
    return {place: line.amount for place, line in enumerate(lines) if line.kind in GOODS}


def rounded(amount: Decimal, unit: Decimal) -> Decimal:
    """In whole units, half up."""
    return (amount / unit).quantize(Decimal(1), rounding=ROUND_HALF_UP) * unit


def taken_off(
    amount: Decimal, costs: Mapping[int, Decimal], unit: Decimal, *, reason: str, rule: str
) -> tuple[PriceAdjustment, ...]:
    """The amount taken off the lines in proportion to what they cost, so that the parts add up to it exactly."""
    if amount <= 0:
        return ()
    shares = shared_out(amount, list(costs.values()), unit)
    return tuple(
        PriceAdjustment(line_index=place, amount=-share, reason=reason, rule=rule)
        for place, share in zip(costs, shares, strict=True)
        if share
    )
