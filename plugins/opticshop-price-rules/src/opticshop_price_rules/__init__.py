"""Price rules: a frame and lenses at a set price, and less for a second pair."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from opticshop.plugin_api import PluginManifest, PriceAdjustment, PricingContext, Settings, hookimpl

from .packages import package_adjustments
from .second_pair import second_pair_adjustments
from .settings import DEFAULT_SETTINGS, SETTINGS_SCHEMA

__all__ = ["plugin"]


class PriceRulesPlugin:
    """Decides the price of an order by the packages and the second-pair offer of its branch. Without settings it
    offers nothing."""

    manifest = PluginManifest(
        name="opticshop-price-rules",
        title="Packages and second pair",
        version="0.1.0",
        api=">=1.0,<2",
        description="A frame and lenses at a set price; less for a second pair soon after the first.",
        settings_schema=SETTINGS_SCHEMA,
        default_settings=DEFAULT_SETTINGS,
    )

    @hookimpl
    def decide_order_price(self, context: PricingContext, settings: Settings) -> Sequence[PriceAdjustment]:
        """What saves the customer more, the package or the second pair; both where the settings combine them."""
        package = package_adjustments(context, settings["packages"])
        if settings["combine"]:
            return (*package, *second_pair_adjustments(context, settings["second_pair"], before=package))
        second = second_pair_adjustments(context, settings["second_pair"])
        return min(package, second, key=_added)


def _added(adjustments: Sequence[PriceAdjustment]) -> Decimal:
    return sum((one.amount for one in adjustments), Decimal(0))


plugin = PriceRulesPlugin()
