"""Effectivity: the power that does the same work at another vertex distance.

F' = F / (1 - d F), d in metres and positive when the lens moves toward the eye (d = old - new vertex
distance). Exact for torics when applied to each principal power, which equals the matrix form (I - d F)^-1
F. Applying it to sphere and cylinder separately, or to the spherical equivalent alone, is wrong.
"""

from __future__ import annotations

from typing import Any

from ._numeric import Numeric, Result, away_from_pole, blockwise, numbers, plain, plain_all, within
from .errors import SingularPower
from .powers import _written

LARGEST_VERTEX_MM = 100.0


@blockwise
def effective_power(power_dpt: Numeric, from_mm: Numeric, to_mm: Numeric) -> Result:
    """Spherical (or meridional) power at vertex distance `to_mm` equal in effect to `power_dpt` at `from_mm`.

    Vertex distances 0..100 mm. Raises `SingularPower` where d F = 1 (the focus falls on the new position).
    """
    power, start, end = numbers(power_dpt=power_dpt, from_mm=from_mm, to_mm=to_mm)
    return plain(_moved(power, _shift_m(start, end)))


@blockwise
def effective_sphero_cylinder(
    sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric, from_mm: Numeric, to_mm: Numeric
) -> tuple[Result, Result, Result]:
    """(S, C, a) at vertex distance `to_mm`, exact, in the cylinder form given; the axis does not change.

    Raises `SingularPower` where either principal power reaches the pole.
    """
    s, c, a, start, end = numbers(
        sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt, axis_deg=axis_deg, from_mm=from_mm, to_mm=to_mm
    )
    within(a, "axis_deg", 0.0, 180.0)
    shift = _shift_m(start, end)
    along = _moved(s, shift)
    return plain_all(along, _moved(s + c, shift) - along, _written(a))


@blockwise
def effective_power_linear(power_dpt: Numeric, from_mm: Numeric, to_mm: Numeric) -> Result:
    """The approximation F + d F^2, for comparison with hand calculations only."""
    power, start, end = numbers(power_dpt=power_dpt, from_mm=from_mm, to_mm=to_mm)
    return plain(power + _shift_m(start, end) * power * power)


def _shift_m(start_mm: Any, end_mm: Any) -> Any:
    within(start_mm, "from_mm", 0.0, LARGEST_VERTEX_MM)
    within(end_mm, "to_mm", 0.0, LARGEST_VERTEX_MM)
    return (start_mm - end_mm) / 1000.0


def _moved(power: Any, shift_m: Any) -> Any:
    pole = SingularPower("the focus of the lens falls on the new vertex distance", field="power_dpt")
    return power / away_from_pole(1.0 - shift_m * power, pole)
