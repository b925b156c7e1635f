"""The visual part of the final inspection: what is looked at, and which of it a pair needs.

The list follows the ordinary content of a final check (fit in rim, strain, surfaces, coating, tint, alignment); common
practice of the trade, the College of Optometrists names checking power, centration and condition before supply.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from opticshop.catalogue.models import LensProduct

Needed = Literal["always", "coated", "tinted"]


@dataclass(frozen=True, slots=True)
class VisualCheck:
    """One thing to look at; ``needed`` says for which pairs it must be answered."""

    name: str
    words: str
    needed: Needed = "always"


CHECKS: tuple[VisualCheck, ...] = (
    VisualCheck("surfaces", "Surfaces free of scratches, pits and marks"),
    VisualCheck("coating", "Coating even, without crazing or pad marks", "coated"),
    VisualCheck("edges_and_bevel", "Edges and bevel: no chips, bevel position, safety bevel"),
    VisualCheck("fit_in_rim", "Fit in the rim: no gap, lens firm"),
    VisualCheck("strain", "Strain looked for between crossed polarisers"),
    VisualCheck("alignment", "Front and sides aligned"),
    VisualCheck("screws", "Screws and mountings tight"),
    VisualCheck("tint_match", "Tint of the two lenses matches", "tinted"),
)
#: Lower limit of category 0, ISO 12312-1:2013.
CLEAR_ABOVE_PERCENT = 80
NAMES = tuple(check.name for check in CHECKS)


def needed_checks(products: Iterable[LensProduct]) -> list[VisualCheck]:
    """The checks that a pair with these lenses cannot do without."""
    products = list(products)
    wanted = {"always"}
    if any(product.coating for product in products):
        wanted.add("coated")
    if any(is_tinted(product) for product in products):
        wanted.add("tinted")
    return [check for check in CHECKS if check.needed in wanted]


def is_tinted(product: LensProduct) -> bool:
    """Whether a lens counts as tinted: category 0 of ISO 12312-1:2013 (over 80 % to 100 %) is clear or nearly so."""
    percent = product.transmittance_percent
    return percent is not None and percent <= CLEAR_ABOVE_PERCENT


def findings(visual: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """One sentence for each check that was not in order."""
    words = {check.name: check.words for check in CHECKS}
    return [
        f"Not in order: {words[name].lower()}" + (f" ({seen['note']})." if seen.get("note") else ".")
        for name, seen in visual.items()
        if not seen["ok"]
    ]
