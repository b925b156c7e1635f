"""Tints: optical density, transmittance, thickness, reflections, and the categories of sun glare filters.

D = -log10 T, T a fraction in (0, 1]. Densities of stacked absorbers add, transmittances multiply; internal
transmittance goes with the thickness, Ti(t2) = Ti(t1)^(t2/t1). Sources:
https://optowiki.info/glossary/optical-density/; categories ISO 12312-1:2013, confirmed by College of
Optometrists guidance,
https://guidance.college-optometrists.org/guidance-contents/knowledge-skills-and-performance-domain/examining-patients-who-drive/tints-and-driving/.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from ._numeric import Numeric, Result, numbers, plain, refractive_index, scalar, within
from .conformity import Band, BandTable, Confidence, exact
from .errors import OutOfRange

LARGEST_DENSITY = 10.0


def density(transmittance: Numeric) -> Result:
    """Optical density of a transmittance (a fraction, 1e-10 to 1)."""
    (t,) = numbers(transmittance=transmittance)
    return plain(-np.log10(within(t, "transmittance", 1e-10, 1.0)) + 0.0)


def transmittance(density: Numeric) -> Result:
    """Transmittance (a fraction) of an optical density (0 to 10)."""
    (d,) = numbers(density=density)
    return plain(10.0 ** -within(d, "density", 0.0, LARGEST_DENSITY))


def stacked_transmittance(*transmittances: float) -> float:
    """Transmittance of absorbers one behind another: the product."""
    total = 1.0
    for position, value in enumerate(transmittances):
        total *= scalar(value, f"transmittances[{position}]", 0.0, 1.0)
    return total


def internal_transmittance(transmittance: Numeric, from_mm: Numeric, to_mm: Numeric) -> Result:
    """Internal transmittance of the same absorber at another thickness."""
    t, start, end = numbers(transmittance=transmittance, from_mm=from_mm, to_mm=to_mm)
    within(t, "transmittance", 1e-10, 1.0)
    within(start, "from_mm", 0.01, 100.0)
    within(end, "to_mm", 0.0, 100.0)
    return plain(t ** (end / start))


def surface_reflectance(index: Numeric) -> Result:
    """Reflectance of one uncoated surface in air at normal incidence, ((n - 1)/(n + 1))^2."""
    (n,) = numbers(index=index)
    refractive_index(n)
    return plain(((n - 1.0) / (n + 1.0)) ** 2)


def uncoated_transmittance(index: Numeric, *, all_reflections: bool = True) -> Result:
    """Transmittance of a clear uncoated lens: 2n/(n^2 + 1), or (1 - R)^2 without the internal reflections."""
    (n,) = numbers(index=index)
    refractive_index(n)
    once = (1.0 - ((n - 1.0) / (n + 1.0)) ** 2) ** 2
    return plain(2.0 * n / (n * n + 1.0) if all_reflections else once)


def welding_shade(transmittance: Numeric) -> Result:
    """Shade number of a welding filter, N = 1 + (7/3) D, unrounded."""
    return plain(1.0 + 7.0 / 3.0 * np.asarray(density(transmittance)))


@dataclass(frozen=True, slots=True)
class TintCategory:
    """A category of luminous transmittance. `suits_driving` is for daylight; none suits night below 75 %."""

    number: int
    description: str
    suits_driving: bool
    band: Band


_CLAUSE = "ISO 12312-1:2013, luminous transmittance categories (%)"

TINT_CATEGORIES = tuple(
    TintCategory(number, words, driving, Band(over, up_to, None, _CLAUSE, Confidence.CONFIRMED))
    for number, words, driving, over, up_to in (
        (4, "very dark", False, Decimal(3), Decimal(8)),
        (3, "dark", True, Decimal(8), Decimal(18)),
        (2, "medium", True, Decimal(18), Decimal(43)),
        (1, "light", True, Decimal(43), Decimal(80)),
        (0, "clear or very light", True, Decimal(80), Decimal(100)),
    )
)
"""The classes as data: above the lower edge, up to and including the upper one; 3 % and less is outside them."""

TINT_TABLE = BandTable("tint categories", tuple(category.band for category in TINT_CATEGORIES))

NIGHT_DRIVING_PERCENT = Decimal(75)
"""Below this a lens is not suitable for driving at twilight or night (same guidance)."""


def tint_category(transmittance_percent: Decimal | float | int | str) -> TintCategory | None:
    """The category of a luminous transmittance in percent, None at 3 % and below.

    Edges are exact: 80 is category 1. A float is read by its shortest decimal form (80.0 is 80). Raises
    `OutOfRange` outside 0..100.
    """
    if isinstance(transmittance_percent, float):
        transmittance_percent = repr(scalar(transmittance_percent, "transmittance_percent"))
    percent = exact(transmittance_percent, "transmittance_percent")
    if not 0 <= percent <= 100:
        raise OutOfRange("a transmittance lies between 0 and 100 percent", field="transmittance_percent")
    for category in TINT_CATEGORIES:
        if category.band.contains(percent):
            return category
    return None


def suits_night_driving(transmittance_percent: Decimal | int | str) -> bool:
    """Whether a lens is light enough for twilight and night (75 % or more). Defer to local rules."""
    return exact(transmittance_percent, "transmittance_percent") >= NIGHT_DRIVING_PERCENT
