"""Sales tax by the place of supply: levies that add up from the state down, with things that are not taxed there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
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
    TaxLine,
    TaxRule,
    dated_rows,
    hookimpl,
    in_force,
    least_sure,
    taxed_once_per_rate,
)

__all__ = ["ByPlace", "plugin"]

_PLACE = {
    "type": "string",
    "pattern": "^[A-Z]{2}(-[A-Z0-9]+)*$",
    "title": "From the country down: US-XA is a state, US-XA-001 a county in it, US-XA-001-02 a city in that",
}
_KINDS = ("frame", "lens", "treatment", "service", "dispensing", "accessory")

_SCHEMA: dict[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "levies": dated_rows(
            "Rates of each place; those of a place and of all that it lies in are added",
            ["place", "name", "percent"],
            place=_PLACE,
            name={"type": "string", "minLength": 1, "title": "Who levies it"},
            percent={"type": "number", "minimum": 0, "exclusiveMaximum": 100},
        ),
        "exemptions": dated_rows(
            "What a place does not tax; the smallest place that says something decides",
            ["place", "kinds", "is_exempt"],
            place=_PLACE,
            kinds={"type": "array", "items": {"enum": list(_KINDS)}, "minItems": 1},
            is_exempt={"type": "boolean", "title": "False: taxed here, whatever a larger place says"},
            reason={"type": "string", "minLength": 1, "maxLength": 200},
        ),
        "note": {"type": "string", "title": "What is printed"},
    },
    "required": ["levies", "exemptions", "note"],
}
_UNNAMED = "Not taxed at this place"

Row = Mapping[str, Any]


class ByPlace(TaxRule):
    """The levies in force at the place of supply, in one rate; what the place exempts bears none.

    Prices are usually net here, so that tax is added; where they include tax, it is taken out of them. The mark that an
    article has in the catalogue means nothing to this rule.
    """

    name = "by-place"
    title = "Sales tax by place"

    def assess(self, basket: TaxBasket, settings: Settings = NO_SETTINGS) -> TaxAssessment:
        """Raises `Refusal` where no levy is set for the place on the day; a place without tax has a levy of 0."""
        levies = list(_levies(basket, settings.get("levies", ())))
        if not levies:
            raise Refusal("opticshop-tax-by-place.no-levy", f"No levy is set for {basket.place} on {basket.day}.")
        rate = sum((Decimal(str(levy["percent"])) for levy in levies), Decimal(0))
        exempting = [_exemption(line, basket, settings.get("exemptions", ())) for line in basket.lines]
        cuts = [[_cut(line, rate, row)] for line, row in zip(basket.lines, exempting, strict=True)]
        used = [*levies, *(row for row in exempting if row is not None)]
        words = " + ".join(f"{levy['name']} {levy['percent']}%" for levy in levies)
        return TaxAssessment(
            lines=taxed_once_per_rate(basket, cuts),
            rounding=ONCE_PER_RATE,
            note=f"Sales tax {rate.normalize():f}%: {words}. {settings.get('note', '')}".strip(),
            source="; ".join(dict.fromkeys(row["source"] for row in used)),
            confidence=least_sure(used),
        )


def _within(place: str) -> list[str]:
    """The place and all that it lies in, the largest first."""
    steps = place.split("-")
    return ["-".join(steps[: count + 1]) for count in range(len(steps))]


def _levies(basket: TaxBasket, rows: Sequence[Row]) -> Iterator[Row]:
    """Of each levy of each place, the row in force. Two levies of one place (city, transit) go by their names."""
    for place in _within(basket.place):
        here = [row for row in rows if row["place"] == place]
        for name in sorted({row["name"] for row in here}):
            found = in_force((row for row in here if row["name"] == name), basket.day)
            if found is not None:
                yield found


def _exemption(line: TaxLine, basket: TaxBasket, rows: Sequence[Row]) -> Row | None:
    """The row that takes the line out of tax, if any."""
    for place in reversed(_within(basket.place)):
        found = in_force((row for row in rows if row["place"] == place and line.kind in row["kinds"]), basket.day)
        if found is not None:
            return found if found["is_exempt"] else None
    return None


def _cut(line: TaxLine, rate: Decimal, exemption: Row | None) -> TaxCut:
    if exemption is not None:
        return TaxCut(price=line.price, category="E", reason=exemption.get("reason", _UNNAMED))
    return TaxCut(price=line.price, category="S" if rate else "Z", rate_percent=rate)


class ByPlacePlugin:
    """Registers one tax rule."""

    manifest = PluginManifest(
        name="opticshop-tax-by-place",
        title="Sales tax by place",
        version="0.1.0",
        api=">=1.0,<2",
        description="State, county and city levies added on net prices; prescription eyewear exempt where it is.",
        settings_schema=_SCHEMA,
        default_settings={"levies": [], "exemptions": [], "note": ""},
    )

    @hookimpl
    def register_tax_rules(self) -> Sequence[TaxRule]:
        return (ByPlace(),)


plugin = ByPlacePlugin()
