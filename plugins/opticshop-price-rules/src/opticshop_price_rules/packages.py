"""A frame and two lenses at a set price."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from opticshop.plugin_api import PriceAdjustment, PricingContext

from .sharing import rounded, taken_off

RULE = "package"


def package_adjustments(context: PricingContext, packages: Sequence[Mapping[str, Any]]) -> tuple[PriceAdjustment, ...]:
    """What the package that saves most takes off frame and lenses; nothing where none fits or none is cheaper."""
    lines = list(enumerate(context.lines))
    frames = [place for place, line in lines if line.kind == "frame"]
    lenses = [place for place, line in lines if line.kind == "lens"]
    if len(frames) != 1 or {context.lines[place].eye for place in lenses} != {"right", "left"}:
        return ()
    costs = {place: context.lines[place].amount for place in (*frames, *lenses)}
    fitting = [
        (rounded(Decimal(package["price"]), context.smallest_unit), package)
        for package in packages
        if _has_frame(package, context, frames[0])
        and all(context.lines[place].sku in package["lenses"] for place in lenses)
    ]
    if not fitting:
        return ()
    price, package = min(fitting, key=lambda found: found[0])
    reason = f"{package['name']}: frame and lenses for {price} {context.currency}"
    return taken_off(sum(costs.values()) - price, costs, context.smallest_unit, reason=reason, rule=RULE)


def _has_frame(package: Mapping[str, Any], context: PricingContext, place: int) -> bool:
    frame = context.lines[place]
    if frame.sku in package.get("frames", ()):
        return True
    return "frame_price_to" in package and frame.unit_price <= Decimal(package["frame_price_to"])
