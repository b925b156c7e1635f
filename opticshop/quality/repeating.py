"""Several readings of one thing: their mean, which is judged, and their spread, which says whether it may be.

The mean of a sphero-cylindrical power is taken of its power vectors (M, J0, J45), so that axes of 179 and 1 degree mean
180 and either cylinder sign may be written (Thibos, Wheeler and Horner 1997 on power vectors). Its spread is the
greatest power of the difference between any two readings in any meridian. Other quantities have the plain mean, and as
their spread the largest minus the smallest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import combinations
from typing import Any

from opticshop import optics
from opticshop.core.errors import Invalid

POWER = "power_dpt"
_POWER_PARTS = ("sphere_dpt", "cylinder_dpt", "axis_deg")
_THOUSANDTH, _TENTH = Decimal("0.001"), Decimal("0.1")


class PowerNotWhole(Invalid):
    """Sphere, cylinder and axis are read together: a mean of one without the others says nothing."""

    code = "quality.power_not_whole"
    title = "Give sphere, cylinder and axis together"


@dataclass(frozen=True, slots=True)
class SpreadLimit:
    """How far repeated readings may lie apart before they must be taken again."""

    limit: Decimal
    unit: str
    source: str = "common practice, no source"
    confidence: str = "low"


#: Quantity -> limit: data, to be replaced by what a gauge study of the shop's own instruments shows.
SPREAD_LIMITS: Mapping[str, SpreadLimit] = {
    POWER: SpreadLimit(Decimal("0.12"), "D"),
    "addition_dpt": SpreadLimit(Decimal("0.12"), "D"),
    "prism_in_dpt": SpreadLimit(Decimal("0.25"), "prism dioptres"),
    "prism_up_dpt": SpreadLimit(Decimal("0.25"), "prism dioptres"),
    "centration_distance_mm": SpreadLimit(Decimal("1.0"), "mm"),
    "centration_height_mm": SpreadLimit(Decimal("1.0"), "mm"),
    "segment_height_mm": SpreadLimit(Decimal("1.0"), "mm"),
    "centre_thickness_mm": SpreadLimit(Decimal("0.1"), "mm"),
    "tilt_deg": SpreadLimit(Decimal("2.0"), "degrees"),
    "centre_distance_mm": SpreadLimit(Decimal("1.0"), "mm"),
    "height_difference_mm": SpreadLimit(Decimal("1.0"), "mm"),
}


@dataclass(frozen=True, slots=True)
class Repeat:
    """One quantity of one lens or of the pair, read ``count`` times. ``agrees`` is None where it was read once."""

    subject: str
    quantity: str
    count: int
    spread: Decimal
    limit: Decimal
    unit: str
    agrees: bool | None

    def to_dict(self) -> dict[str, Any]:
        return {
            "subject": self.subject,
            "quantity": self.quantity,
            "count": self.count,
            "spread": str(self.spread),
            "limit": str(self.limit),
            "unit": self.unit,
            "agrees": self.agrees,
        }


@dataclass(frozen=True, slots=True)
class Summary:
    """What several readings come to: ``means`` by subject, in the shape a single reading has."""

    means: dict[str, dict[str, Any]]
    repeats: list[Repeat]

    @property
    def disagreements(self) -> list[str]:
        """One sentence for every quantity whose readings lie too far apart."""
        return [
            f"{each.count} readings of {each.subject} {each.quantity} lie {each.spread} {each.unit} apart, more than "
            f"{each.limit}: measure again."
            for each in self.repeats
            if each.agrees is False
        ]


def check_whole(values: Mapping[str, Any], subject: str) -> None:
    """Raise PowerNotWhole unless a power, where one was read, has its sphere, cylinder and (with cylinder) axis."""
    given = {name for name in _POWER_PARTS if values.get(name) is not None}
    wanted = {"sphere_dpt", "cylinder_dpt"} | ({"axis_deg"} if values.get("cylinder_dpt") else set())
    if given and given != wanted:
        missing = sorted(wanted ^ given)
        raise PowerNotWhole(f"{subject}: {', '.join(missing)}", field=f"{subject}/{missing[0]}")


def summarised(readings: Iterable[tuple[str, Mapping[str, Decimal | int | None]]]) -> Summary:
    """The summary of readings given as (subject, values); subjects are right, left and pair."""
    by_subject: dict[str, list[Mapping[str, Decimal | int | None]]] = {}
    for subject, values in readings:
        by_subject.setdefault(subject, []).append(values)
    means: dict[str, dict[str, Any]] = {}
    repeats: list[Repeat] = []
    for subject, taken in by_subject.items():
        found = means[subject] = {}
        powers = [_power(values) for values in taken if values.get("sphere_dpt") is not None]
        if powers:
            found.update(_mean_power(powers))
            repeats.append(_repeat(subject, POWER, len(powers), _power_spread(powers)))
        for quantity in SPREAD_LIMITS:
            plain = [Decimal(value) for values in taken if (value := values.get(quantity)) is not None]
            if plain:
                found[quantity] = _rounded(sum(plain, Decimal(0)) / len(plain), _THOUSANDTH)
                repeats.append(_repeat(subject, quantity, len(plain), max(plain) - min(plain)))
    return Summary(means, repeats)


def _power(values: Mapping[str, Decimal | int | None]) -> optics.SpheroCylinder:
    axis = values.get("axis_deg")
    return optics.SpheroCylinder(
        float(values["sphere_dpt"] or 0), float(values.get("cylinder_dpt") or 0), 180.0 if axis is None else float(axis)
    )


def _mean_power(powers: Sequence[optics.SpheroCylinder]) -> dict[str, Any]:
    vectors = [power.power_vector for power in powers]
    m, j0, j45 = (math.fsum(part) / len(vectors) for part in zip(*vectors, strict=True))
    mean = optics.SpheroCylinder.from_power_vector(m, j0, j45).to_minus_cylinder()
    cylinder = _rounded(Decimal(mean.cylinder_dpt), _THOUSANDTH)
    axis = _rounded(Decimal(mean.axis_deg), _TENTH)
    return {
        "sphere_dpt": _rounded(Decimal(mean.sphere_dpt), _THOUSANDTH),
        "cylinder_dpt": cylinder,
        "axis_deg": (axis or Decimal(180)) if cylinder else None,
    }


def _power_spread(powers: Sequence[optics.SpheroCylinder]) -> Decimal:
    def apart(one: optics.SpheroCylinder, other: optics.SpheroCylinder) -> float:
        m, j0, j45 = (a - b for a, b in zip(one.power_vector, other.power_vector, strict=True))
        return abs(m) + math.hypot(j0, j45)

    return _rounded(Decimal(max((apart(*pair) for pair in combinations(powers, 2)), default=0.0)), _THOUSANDTH)


def _repeat(subject: str, quantity: str, count: int, spread: Decimal) -> Repeat:
    allowed = SPREAD_LIMITS[quantity]
    agrees = None if count < 2 else spread <= allowed.limit
    return Repeat(subject, quantity, count, spread, allowed.limit, allowed.unit, agrees)


def _rounded(value: Decimal, step: Decimal) -> Decimal:
    return value.quantize(step, rounding=ROUND_HALF_EVEN) + 0
