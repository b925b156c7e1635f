"""Spectacle magnification, and a hint of the difference in image size between the eyes.

SM = shape x power = 1/(1 - (t/n) F1) x 1/(1 - h F'v), t and h in metres, h from the back vertex to the
entrance pupil (vertex distance plus about 3 mm; many study notes use the vertex distance itself). Paraxial,
distant object.
"""

from __future__ import annotations

from dataclasses import dataclass

from ._numeric import Numeric, Result, away_from_pole, numbers, plain, refractive_index, within
from .errors import SingularPower
from .vertex_power import LARGEST_THICKNESS_MM

PUPIL_BEHIND_VERTEX_MM = 3.0
"""Cornea to entrance pupil, to be added to the vertex distance (about 3 mm)."""


@dataclass(frozen=True, slots=True)
class Magnification:
    """Shape factor, power factor, their product and the percentage 100 (SM - 1). Floats, or arrays alike."""

    shape: Result
    power: Result
    total: Result
    percent: Result


def spectacle_magnification(
    front_power_dpt: Numeric,
    back_vertex_power_dpt: Numeric,
    thickness_mm: Numeric,
    index: Numeric,
    pupil_distance_mm: Numeric,
) -> Magnification:
    """Magnification of a spectacle lens; `pupil_distance_mm` is h, from back vertex to entrance pupil (0..100).

    Raises `SingularPower` at the pole of either factor.
    """
    f1, bvp, t, n, h = numbers(
        front_power_dpt=front_power_dpt,
        back_vertex_power_dpt=back_vertex_power_dpt,
        thickness_mm=thickness_mm,
        index=index,
        pupil_distance_mm=pupil_distance_mm,
    )
    refractive_index(n)
    within(t, "thickness_mm", 0.0, LARGEST_THICKNESS_MM)
    within(h, "pupil_distance_mm", 0.0, 100.0)
    front_pole = SingularPower("the front surface focuses on the back vertex", field="front_power_dpt")
    pupil_pole = SingularPower("the lens focuses on the entrance pupil", field="back_vertex_power_dpt")
    shape = 1.0 / away_from_pole(1.0 - t / 1000.0 / n * f1, front_pole)
    power = 1.0 / away_from_pole(1.0 - h / 1000.0 * bvp, pupil_pole)
    total = shape * power
    return Magnification(plain(shape), plain(power), plain(total), plain(100.0 * (total - 1.0)))


def size_difference_percent(right_magnification: Numeric, left_magnification: Numeric) -> Result:
    """100 (right / left - 1): how much larger the right image is through the lenses alone.

    A hint of aniseikonia, not a measurement of it: the eyes' own image sizes are not known here.
    """
    right, left = numbers(right_magnification=right_magnification, left_magnification=left_magnification)
    pole = SingularPower("a magnification of zero has no ratio", field="left_magnification")
    return plain(100.0 * (right / away_from_pole(left, pole) - 1.0))
