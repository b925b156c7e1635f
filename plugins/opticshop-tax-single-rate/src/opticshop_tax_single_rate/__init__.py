"""One rate of tax for everything, with reduced rates for some kinds of things."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from opticshop.plugin_api import (
    NO_SETTINGS,
    ONCE_PER_RATE,
    PluginManifest,
    Refusal,
    Settings,
    TaxAssessment,
    TaxBasket,
    TaxCut,
    TaxRule,
    dated_rows,
    hookimpl,
    in_force,
    least_sure,
    taxed_once_per_rate,
)

__all__ = ["SingleRate", "plugin"]

_PERCENT = {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 100}
_KINDS = ("frame", "lens", "treatment", "service", "dispensing", "accessory")

_SCHEMA: dict[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "rates": dated_rows("The ordinary rate", ["percent"], percent=_PERCENT),
        "reduced": dated_rows(
            "Lower rates of some kinds",
            ["percent", "kind"],
            percent=_PERCENT,
            kind={"enum": list(_KINDS)},
        ),
        "note": {"type": "string", "title": "What is printed"},
    },
    "required": ["rates", "reduced", "note"],
}


class SingleRate(TaxRule):
    """The rate of the day, whatever the catalogue says; a kind with a reduced rate in force has that."""

    name = "single-rate"
    title = "One rate for everything"

    def assess(self, basket: TaxBasket, settings: Settings = NO_SETTINGS) -> TaxAssessment:
        """Raises `Refusal` on a day for which no rate is set."""
        found = in_force(settings.get("rates", ()), basket.day)
        if found is None:
            raise Refusal("opticshop-tax-single-rate.no-rate", f"No rate is set for {basket.day}.")
        ordinary = Decimal(str(found["percent"]))
        kinds = {line.kind for line in basket.lines}
        lower = {kind: row for kind in kinds if (row := _reduced(settings, kind, basket)) is not None}
        rates = {kind: Decimal(str(row["percent"])) for kind, row in lower.items()}
        cuts = [
            [
                TaxCut(
                    price=line.price,
                    category="S",
                    rate_percent=rates.get(line.kind, ordinary),
                    reduced=line.kind in rates,
                )
            ]
            for line in basket.lines
        ]
        sources = dict.fromkeys([found["source"], *(lower[kind]["source"] for kind in sorted(lower))])
        return TaxAssessment(
            lines=taxed_once_per_rate(basket, cuts),
            rounding=ONCE_PER_RATE,
            note=settings.get("note", ""),
            source="; ".join(sources),
            confidence=least_sure([found, *lower.values()]),
        )


def _reduced(settings: Settings, kind: str, basket: TaxBasket) -> Any:
    return in_force((row for row in settings.get("reduced", ()) if row["kind"] == kind), basket.day)


class SingleRatePlugin:
    """Registers one tax rule."""

    manifest = PluginManifest(
        name="opticshop-tax-single-rate",
        title="Tax at one rate",
        version="0.1.0",
        api=">=1.0,<2",
        description="One dated rate for everything, with reduced rates by kind.",
        settings_schema=_SCHEMA,
        default_settings={"rates": [], "reduced": [], "note": ""},
    )

    @hookimpl
    def register_tax_rules(self) -> Sequence[TaxRule]:
        return (SingleRate(),)


plugin = SingleRatePlugin()
