"""Cautions to give with a finished pair: a table of data, each with what it rests on.

Reminders for people who know the work; local codes and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from opticshop.catalogue.models import LensProduct
from opticshop.optics.tint import NIGHT_DRIVING_PERCENT, tint_category

CLOSING = "Reminders only: local codes and licensed practice come first."
_TINTS = "ISO 12312-1:2013 categories, College of Optometrists guidance on tints and driving"


@dataclass(frozen=True, slots=True)
class Pair:
    """What the table looks at."""

    products: Sequence[LensProduct]
    age_on_day: int | None
    has_rule: bool
    jurisdiction: str = ""
    is_amended: bool = False

    @property
    def darkest_percent(self) -> Decimal | None:
        """The lower of the stated transmittances; None where none is stated."""
        stated = [lens.transmittance_percent for lens in self.products if lens.transmittance_percent is not None]
        return min(stated) if stated else None


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution. ``applies`` says to which pairs; ``confidence`` how sure we are of its basis."""

    key: str
    words: str
    basis: str
    confidence: str
    applies: Callable[[Pair], bool]


def _not_for_driving(pair: Pair) -> bool:
    percent = pair.darkest_percent
    if percent is None:
        return False
    category = tint_category(percent)
    return category is None or not category.suits_driving


def _not_for_night(pair: Pair) -> bool:
    percent = pair.darkest_percent
    return percent is not None and percent < NIGHT_DRIVING_PERCENT and not _not_for_driving(pair)


def _tinted_for_day(pair: Pair) -> bool:
    percent = pair.darkest_percent
    return percent is not None and percent <= 80 and not _not_for_driving(pair)


def _several_powers(pair: Pair) -> bool:
    return any(product.kind != LensProduct.Kind.SINGLE_VISION for product in pair.products)


def _not_impact_resistant_in_us(pair: Pair) -> bool:
    in_us = pair.jurisdiction == "US" or pair.jurisdiction.startswith("US-")
    return in_us and not all(product.impact_resistant for product in pair.products)


def _child_not_impact_resistant(pair: Pair) -> bool:
    is_child = pair.age_on_day is not None and pair.age_on_day < 16
    return is_child and not all(product.impact_resistant for product in pair.products)


TABLE: tuple[Caution, ...] = (
    Caution(
        "not_safety",
        "These are not safety spectacles: they do not protect the eyes at work or in sport. Eye protection is approved "
        "and marked as a whole, frame and lenses, and comes from who is certified to make it.",
        "Guidance on personal protective equipment (EN 166, EN ISO 16321), from memory",
        "high",
        lambda pair: True,
    ),
    Caution(
        "tint_not_for_driving",
        "Too dark for driving or on the road at any time (below category 3); local rules of the road decide.",
        _TINTS,
        "high",
        _not_for_driving,
    ),
    Caution(
        "tint_not_at_night",
        "Not for driving at twilight or night: the lenses pass less than 75 % of the light.",
        _TINTS,
        "high",
        _not_for_night,
    ),
    Caution(
        "tint_signals",
        "Driving by day also depends on how well signal lights are recognised through a coloured tint; see the maker's "
        "statement.",
        _TINTS,
        "high",
        _tinted_for_day,
    ),
    Caution(
        "several_powers_stairs",
        "Look through the top of the lenses on stairs and kerbs; the lower part blurs the ground and has caused falls.",
        "College of Optometrists guidance names the risk of falls with bifocal and varifocal lenses",
        "high",
        _several_powers,
    ),
    Caution(
        "settling_in",
        "Allow some days to get used to the lenses; do not drive until you are at ease with them.",
        "common advice at collection, from memory",
        "medium",
        _several_powers,
    ),
    Caution(
        "child_impact",
        "For a child shatter-resistant lenses are advised; these are not marked as such.",
        "common teaching of dispensing, from memory",
        "medium",
        _child_not_impact_resistant,
    ),
    Caution(
        "us_impact",
        "Not marked as impact resistant. Federal rules of the United States ask for impact-resistant lenses unless the "
        "prescriber directs otherwise in writing and the patient is told; check before handing over.",
        "US 21 CFR 801.410, as the reference notes give it",
        "high on the rule, medium on its details",
        _not_impact_resistant_in_us,
    ),
    Caution(
        "prescription_amended",
        "The prescription was amended after this pair was ordered to it; ask the prescriber before it is worn.",
        "the record of prescriptions",
        "high",
        lambda pair: pair.is_amended,
    ),
    Caution(
        "no_rule_held",
        "No rule on restricted supply is held for this jurisdiction; check who may hand over to this wearer.",
        "the table of rules of this service",
        "not known",
        lambda pair: not pair.has_rule,
    ),
)


def cautions_for(pair: Pair) -> list[dict[str, str]]:
    """The cautions of the table that apply to a pair, ready to be stored."""
    return [
        {"key": caution.key, "words": caution.words, "basis": caution.basis, "confidence": caution.confidence}
        for caution in TABLE
        if caution.applies(pair)
    ]
