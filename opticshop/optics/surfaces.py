"""Surfaces: radius, sagitta, and what a lens clock or a tool number means in another material.

r = 1000 (n - 1)/F in mm, with n the index for which F is quoted: the material index for true power, the
clock or tool index (1.530, some clocks 1.523) for marked curves. Store that index beside every curve. Signs
follow the power: a surface of positive power has a positive radius and a positive sagitta.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ._numeric import Numeric, Result, away_from_pole, blockwise, numbers, plain, refractive_index
from .errors import SingularPower, SurfaceTooSteep

TOOL_INDEX = 1.530
"""The index most tools and lens clocks are marked for; read it from the dial."""


def radius_mm(surface_power_dpt: Numeric, index: Numeric) -> Result:
    """Radius of curvature, signed like the power. Raises `SingularPower` for a plane surface."""
    power, n = numbers(surface_power_dpt=surface_power_dpt, index=index)
    refractive_index(n)
    plane = SingularPower("a plane surface has no finite radius", field="surface_power_dpt")
    return plain(1000.0 * (n - 1.0) / away_from_pole(power, plane))


def surface_power_dpt(radius_mm: Numeric, index: Numeric) -> Result:
    """Power of a surface of the given (signed) radius. Raises `SingularPower` for a radius of zero."""
    radius, n = numbers(radius_mm=radius_mm, index=index)
    refractive_index(n)
    point = SingularPower("a radius of zero is no surface", field="radius_mm")
    return plain(1000.0 * (n - 1.0) / away_from_pole(radius, point))


@blockwise
def sagitta_mm(surface_power_dpt: Numeric, y_mm: Numeric, index: Numeric) -> Result:
    """Exact sagitta at height y (half the chord) of a spherical surface, signed like the power; 0 for a plane.

    Uses the form c y^2 / (1 + sqrt(1 - c^2 y^2)), which does not lose digits for flat surfaces. Raises
    `SurfaceTooSteep` where y >= |r|.
    """
    power, y, n = numbers(surface_power_dpt=surface_power_dpt, y_mm=y_mm, index=index)
    refractive_index(n)
    return plain(sphere_sag(power / (1000.0 * (n - 1.0)), y * y))


@blockwise
def sagitta_approximate_mm(surface_power_dpt: Numeric, y_mm: Numeric, index: Numeric) -> Result:
    """The parabola y^2 F / (2000 (n - 1)): too small by about y^2 / (4 r^2) of itself."""
    power, y, n = numbers(surface_power_dpt=surface_power_dpt, y_mm=y_mm, index=index)
    refractive_index(n)
    return plain(y * y * power / (2000.0 * (n - 1.0)))


def true_surface_power_dpt(reading_dpt: Numeric, index: Numeric, clock_index: Numeric = TOOL_INDEX) -> Result:
    """Power in a material of the given index of a curve marked or measured for `clock_index`."""
    reading, n, clock = numbers(reading_dpt=reading_dpt, index=index, clock_index=clock_index)
    refractive_index(n)
    refractive_index(clock, "clock_index")
    return plain(reading * (n - 1.0) / (clock - 1.0))


def clock_reading_dpt(surface_power_dpt: Numeric, index: Numeric, clock_index: Numeric = TOOL_INDEX) -> Result:
    """What a clock or tool marked for `clock_index` says of a true surface power."""
    return true_surface_power_dpt(surface_power_dpt, clock_index, index)


def sphere_sag(curvature: Any, y_squared: Any) -> Any:
    """Sagitta of a curvature (1/mm) at a squared height (mm^2), without input checks."""
    return curvature * y_squared / (1.0 + np.sqrt(reached(1.0 - curvature * curvature * y_squared)))


def torus_sag(sweep: Any, profile: Any, u: Any, v: Any) -> Any:
    """Sagitta at (u, v) of a circle of curvature `profile` along v, swept along u on curvature `sweep`.

    Exact and free of cancellation for any signs, planes and cylinders included.
    """
    depth = sphere_sag(profile, v * v)
    rest = reached((1.0 - sweep * depth) ** 2 - (sweep * u) ** 2)
    return (2.0 * depth - sweep * depth * depth + sweep * u * u) / (1.0 + np.sqrt(rest))


def reached(remainder: Any) -> Any:
    """The value under a sagitta's root, or `SurfaceTooSteep` when the surface ends before that height."""
    if np.min(remainder, initial=1.0) <= 0.0:
        raise SurfaceTooSteep("the surface does not reach this height: it lies at or beyond the radius")
    return remainder
