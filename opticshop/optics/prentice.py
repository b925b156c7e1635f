"""Prentice's rule, as a scalar and with the full power matrix, and what it means for a pair.

p = -F r, with r = (x, y) the viewing point relative to the optical centre; the same prism is F c with c the
optical centre relative to the viewing point. Lengths in mm, prism in prism dioptres, so p = F c / 10.
Components follow the common frame (x > 0 base toward 0 degrees, y > 0 base up). A plus lens has its base
toward the optical centre. Thin lens, small angles, distant object: real rays differ by 1 to 4 % at 10 to 15
mm. A toric lens off its principal meridians gives prism that is not along the decentration; a scalar F(m)
would be wrong there. Source of the matrix: Long, Am J Optom Physiol Opt 1976;53:27-33.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ._numeric import (
    Numeric,
    Result,
    away_from_pole,
    blockwise,
    number,
    numbers,
    plain,
    plain_all,
    scalar,
    within,
)
from .errors import SingularPower
from .eyes import Eye
from .powers import _vector
from .prism import Prism, RelativePrism, relative_prism
from .sphero_cylinder import SpheroCylinder


@blockwise
def prentice(power_dpt: Numeric, decentration_mm: Numeric) -> Result:
    """P = c F for a sphere or along a principal meridian, signed like power x decentration."""
    power, decentration = numbers(power_dpt=power_dpt, decentration_mm=decentration_mm)
    return plain(power * decentration / 10.0)


@blockwise
def prentice_decentration(power_dpt: Numeric, prism_pdpt: Numeric) -> Result:
    """The decentration in mm that gives a prism, 10 P / F. Raises `SingularPower` for a power of zero."""
    power, prism = numbers(power_dpt=power_dpt, prism_pdpt=prism_pdpt)
    return plain(10.0 * prism / away_from_pole(power, _no_power("power_dpt")))


@blockwise
def prentice_toric(
    sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric, x_mm: Numeric, y_mm: Numeric
) -> tuple[Result, Result]:
    """(x, y) prism components at the viewing point (x_mm, y_mm) relative to the optical centre."""
    s, c, a, x, y = numbers(sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt, axis_deg=axis_deg, x_mm=x_mm, y_mm=y_mm)
    within(a, "axis_deg", 0.0, 180.0)
    m, j0, j45 = _vector(s, c, a)
    return plain_all(_component(m + j0, j45, x, y), _component(j45, m - j0, x, y))


@blockwise
def toric_decentration(
    sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric, x_pdpt: Numeric, y_pdpt: Numeric
) -> tuple[Result, Result]:
    """(x, y) in mm of the optical centre relative to the viewing point that gives the prism asked for.

    Raises `SingularPower` when a principal power is zero: no decentration along it makes prism.
    """
    s, c, a, px, py = numbers(
        sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt, axis_deg=axis_deg, x_pdpt=x_pdpt, y_pdpt=y_pdpt
    )
    within(a, "axis_deg", 0.0, 180.0)
    m, j0, j45 = _vector(s, c, a)
    determinant = away_from_pole(s * (s + c), _no_power("sphere_dpt"))
    return plain_all(10.0 * ((m - j0) * px - j45 * py) / determinant, 10.0 * ((m + j0) * py - j45 * px) / determinant)


def prism_at(power: SpheroCylinder, x_mm: float, y_mm: float) -> Prism:
    """Prism met when looking through the point (x, y) relative to the optical centre."""
    return Prism(*prentice_toric(*power.triple, scalar(x_mm, "x_mm"), scalar(y_mm, "y_mm")))


def prism_of_decentration(power: SpheroCylinder, x_mm: float, y_mm: float) -> Prism:
    """Prism met when the optical centre lies at (x, y) relative to the viewing point."""
    return prism_at(power, -scalar(x_mm, "x_mm"), -scalar(y_mm, "y_mm"))


def decentration_of_prism(power: SpheroCylinder, prism: Prism) -> tuple[float, float]:
    """(x, y) in mm of the optical centre relative to the viewing point that gives `prism`."""
    x, y = toric_decentration(*power.triple, prism.x_pdpt, prism.y_pdpt)
    return x, y


@dataclass(frozen=True, slots=True)
class PairPrism:
    """Prism of each lens of a pair and their relative prism."""

    right: Prism
    left: Prism
    relative: RelativePrism


def prism_of_centration_errors(
    right: SpheroCylinder,
    left: SpheroCylinder,
    *,
    right_out_mm: float = 0.0,
    left_out_mm: float = 0.0,
    right_up_mm: float = 0.0,
    left_up_mm: float = 0.0,
) -> PairPrism:
    """Prism of a pair whose optical centres lie off the pupils by the given amounts.

    `*_out_mm` is positive when that lens's optical centre is too far temporal, `*_up_mm` when it is too high.
    """
    right_prism = prism_of_decentration(
        right, -Eye.RIGHT.nasal_sign * number(right_out_mm, "right_out_mm"), right_up_mm
    )
    left_prism = prism_of_decentration(left, -Eye.LEFT.nasal_sign * number(left_out_mm, "left_out_mm"), left_up_mm)
    return PairPrism(right_prism, left_prism, relative_prism(right_prism, left_prism))


def _component(f_x: Any, f_y: Any, x: Any, y: Any) -> Any:
    return (f_x * x + f_y * y) / -10.0 + 0.0


def _no_power(field: str) -> SingularPower:
    return SingularPower("a lens without power in that direction gives no prism by decentration", field=field)
