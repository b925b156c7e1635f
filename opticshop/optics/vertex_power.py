"""Thick-lens powers from surface powers, and the back surface from a wanted back vertex power.

F1, F2 surface powers (dioptres, in the lens material), t centre thickness (mm), n index: back vertex F'v =
F1/(1 - (t/n)F1) + F2, front vertex Fv = F1 + F2/(1 - (t/n)F2), equivalent F = F1 + F2 - (t/n)F1F2.
"""

from __future__ import annotations

from typing import Any

from ._numeric import Numeric, Result, away_from_pole, blockwise, numbers, plain, refractive_index, within
from .errors import SingularPower

LARGEST_THICKNESS_MM = 100.0


@blockwise
def back_vertex_power(
    front_power_dpt: Numeric, back_power_dpt: Numeric, thickness_mm: Numeric, index: Numeric
) -> Result:
    """Back vertex power in dioptres. Raises `SingularPower` when the front surface focuses on the back vertex."""
    f1, f2, t, n = _lens(front_power_dpt, back_power_dpt, thickness_mm, index)
    return plain(vergence_through(f1, t, n, "front_power_dpt") + f2)


@blockwise
def front_vertex_power(
    front_power_dpt: Numeric, back_power_dpt: Numeric, thickness_mm: Numeric, index: Numeric
) -> Result:
    """Front vertex (neutralising) power in dioptres. Raises `SingularPower` at the pole of the back surface."""
    f1, f2, t, n = _lens(front_power_dpt, back_power_dpt, thickness_mm, index)
    return plain(f1 + vergence_through(f2, t, n, "back_power_dpt"))


@blockwise
def equivalent_power(
    front_power_dpt: Numeric, back_power_dpt: Numeric, thickness_mm: Numeric, index: Numeric
) -> Result:
    """Equivalent power in dioptres."""
    f1, f2, t, n = _lens(front_power_dpt, back_power_dpt, thickness_mm, index)
    return plain(f1 + f2 - t / 1000.0 / n * f1 * f2)


@blockwise
def back_surface_power(
    front_power_dpt: Numeric, back_vertex_power_dpt: Numeric, thickness_mm: Numeric, index: Numeric
) -> Result:
    """The back surface that gives a wanted back vertex power, F2 = F'v - F1/(1 - (t/n)F1)."""
    f1, bvp, t, n = numbers(
        front_power_dpt=front_power_dpt,
        back_vertex_power_dpt=back_vertex_power_dpt,
        thickness_mm=thickness_mm,
        index=index,
    )
    _solid(t, n)
    return plain(bvp - vergence_through(f1, t, n, "front_power_dpt"))


@blockwise
def front_surface_power(
    back_power_dpt: Numeric, back_vertex_power_dpt: Numeric, thickness_mm: Numeric, index: Numeric
) -> Result:
    """The front surface that gives a wanted back vertex power with a given back surface."""
    f2, bvp, t, n = numbers(
        back_power_dpt=back_power_dpt,
        back_vertex_power_dpt=back_vertex_power_dpt,
        thickness_mm=thickness_mm,
        index=index,
    )
    _solid(t, n)
    needed = bvp - f2
    pole = SingularPower("no front surface gives this power with this back surface", field="back_power_dpt")
    return plain(needed / away_from_pole(1.0 + t / 1000.0 / n * needed, pole))


def vergence_through(power: Any, thickness_mm: Any, index: Any, field: str) -> Any:
    """F / (1 - (t/n) F): the vergence of a surface after the lens's thickness, without input checks."""
    pole = SingularPower("the surface focuses on the other vertex of the lens", field=field)
    return power / away_from_pole(1.0 - thickness_mm / 1000.0 / index * power, pole)


def _lens(f1: Numeric, f2: Numeric, t: Numeric, n: Numeric) -> tuple[Any, Any, Any, Any]:
    front, back, thickness, index = numbers(front_power_dpt=f1, back_power_dpt=f2, thickness_mm=t, index=n)
    _solid(thickness, index)
    return front, back, thickness, index


def _solid(thickness: Any, index: Any) -> None:
    within(thickness, "thickness_mm", 0.0, LARGEST_THICKNESS_MM)
    refractive_index(index)
