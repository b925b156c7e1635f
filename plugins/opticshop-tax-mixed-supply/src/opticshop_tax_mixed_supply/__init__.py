"""Tax where the goods of a pair of spectacles are taxed and the dispensing is exempt."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import PluginManifest, TaxRule, hookimpl

from .facts import DEFAULTS, SCHEMA
from .rule import MixedSupply

__all__ = ["MixedSupply", "plugin"]


class MixedSupplyPlugin:
    """Registers one tax rule."""

    manifest = PluginManifest(
        name="opticshop-tax-mixed-supply",
        title="Tax on mixed supplies",
        version="0.1.0",
        api=">=1.0,<2",
        description="Taxed goods and exempt dispensing, charged separately or apportioned from one price.",
        settings_schema=SCHEMA,
        default_settings=DEFAULTS,
    )

    @hookimpl
    def register_tax_rules(self) -> Sequence[TaxRule]:
        return (MixedSupply(),)


plugin = MixedSupplyPlugin()
