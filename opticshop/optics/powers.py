"""Algebra of sphero-cylindrical powers on numbers and arrays: forms, power vectors, power matrix, sums.

A power is written sphere S, cylinder C (dioptres), axis a (degrees): power S lies along the axis meridian,
S + C at right angles to it. Axes are given in 0..180 and returned in (0, 180]; 0 is written 180.
Power vectors: M = S + C/2, J0 = -(C/2) cos 2a, J45 = -(C/2) sin 2a (Thibos, Wheeler & Horner, Optom Vis Sci
1997;74:367-375). Power matrix: f11 horizontal, f22 vertical (Long, Am J Optom Physiol Opt 1976;53:27-33).
All functions broadcast; scalars give Python floats. `SpheroCylinder` wraps them for a single lens.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ._numeric import NEGLIGIBLE, Numeric, Result, blockwise, number, numbers, plain, plain_all, within

Triple = tuple[Numeric, Numeric, Numeric]
"""(sphere_dpt, cylinder_dpt, axis_deg)."""

_AXIS_SNAP_DEG = 1e-9


def fold_axis(axis_deg: Numeric) -> Result:
    """Any angle folded into (0, 180]: 90 + 90 gives exactly 180, never 0."""
    return plain(_folded(number(axis_deg, "axis_deg")))


@blockwise
def transpose(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric) -> tuple[Result, Result, Result]:
    """The same lens in the other cylinder sign: (S + C, -C, a +/- 90). A sphere is returned as it is."""
    return plain_all(*_transposed(*_triple(sphere_dpt, cylinder_dpt, axis_deg)))


@blockwise
def to_minus_cylinder(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric) -> tuple[Result, Result, Result]:
    """The form whose cylinder is zero or negative."""
    return _in_sign(-1.0, *_triple(sphere_dpt, cylinder_dpt, axis_deg))


@blockwise
def to_plus_cylinder(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric) -> tuple[Result, Result, Result]:
    """The form whose cylinder is zero or positive."""
    return _in_sign(1.0, *_triple(sphere_dpt, cylinder_dpt, axis_deg))


def crossed_cylinders(
    sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric
) -> tuple[Result, Result, Result, Result]:
    """Two plano cylinders making the same lens: (S + C, axis a, S, axis a +/- 90).

    Each cylinder's axis is at right angles to the meridian in which it acts.
    """
    s, c, a = _triple(sphere_dpt, cylinder_dpt, axis_deg)
    return plain_all(s + c, _written(a), s, _across(a))


def spherical_equivalent(sphere_dpt: Numeric, cylinder_dpt: Numeric) -> Result:
    """M = S + C/2, unrounded."""
    s, c = numbers(sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt)
    return plain(s + 0.5 * c)


@blockwise
def power_vector(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric) -> tuple[Result, Result, Result]:
    """(M, J0, J45) in dioptres."""
    return plain_all(*_vector(*_triple(sphere_dpt, cylinder_dpt, axis_deg)))


@blockwise
def from_power_vector(m_dpt: Numeric, j0_dpt: Numeric, j45_dpt: Numeric) -> tuple[Result, Result, Result]:
    """(S, C, a) in minus-cylinder form, with the quadrant handled by atan2.

    A cylinder of rounding size becomes exactly 0 with axis 180; an axis of rounding size becomes 180.
    """
    return plain_all(*_from_vector(*numbers(m_dpt=m_dpt, j0_dpt=j0_dpt, j45_dpt=j45_dpt)))


def blur_strength(m_dpt: Numeric, j0_dpt: Numeric, j45_dpt: Numeric) -> Result:
    """B = sqrt(M^2 + J0^2 + J45^2) in dioptres."""
    m, j0, j45 = numbers(m_dpt=m_dpt, j0_dpt=j0_dpt, j45_dpt=j45_dpt)
    return plain(np.sqrt(m * m + j0 * j0 + j45 * j45))


@blockwise
def power_matrix(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric) -> tuple[Result, Result, Result]:
    """(f11, f12, f22) of the symmetric dioptric power matrix: horizontal, oblique, vertical."""
    m, j0, j45 = _vector(*_triple(sphere_dpt, cylinder_dpt, axis_deg))
    return plain_all(m + j0, j45, m - j0)


@blockwise
def from_power_matrix(f11_dpt: Numeric, f12_dpt: Numeric, f22_dpt: Numeric) -> tuple[Result, Result, Result]:
    """(S, C, a) in minus-cylinder form of a symmetric power matrix."""
    f11, f12, f22 = numbers(f11_dpt=f11_dpt, f12_dpt=f12_dpt, f22_dpt=f22_dpt)
    return plain_all(*_from_vector(0.5 * (f11 + f22), 0.5 * (f11 - f22), f12))


def add_powers(first: Triple, second: Triple) -> tuple[Result, Result, Result]:
    """Two thin lenses in contact, axes in any relation: (S, C, a) in minus-cylinder form."""
    return _combined(first, second, 1.0)


def subtract_powers(first: Triple, second: Triple) -> tuple[Result, Result, Result]:
    """`first` minus `second` (residual or over-refraction): (S, C, a) in minus-cylinder form."""
    return _combined(first, second, -1.0)


@blockwise
def meridional_power(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric, meridian_deg: Numeric) -> Result:
    """F(m) = S + C sin^2(m - a), the curvature power along a meridian (0..360 degrees).

    A meridian that is not principal has no focus of its own; prism along it needs the matrix.
    """
    s, c, a, m = numbers(sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt, axis_deg=axis_deg, meridian_deg=meridian_deg)
    within(a, "axis_deg", 0.0, 180.0)
    within(m, "meridian_deg", 0.0, 360.0)
    return plain(s + c * np.sin(np.deg2rad(m - a)) ** 2)


def _triple(sphere_dpt: Numeric, cylinder_dpt: Numeric, axis_deg: Numeric) -> tuple[Any, Any, Any]:
    s, c, a = numbers(sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt, axis_deg=axis_deg)
    return s, c, within(a, "axis_deg", 0.0, 180.0)


def _written(axis: Any) -> Any:
    """An axis already known to lie in 0..180, with 0 written as 180."""
    if isinstance(axis, float):
        return axis or 180.0
    return axis.copy() if axis.size and axis.min() > 0.0 else np.where(axis == 0.0, 180.0, axis)


def _across(axis: Any) -> Any:
    """The axis at right angles to one in 0..180: exact, and 90 gives 180."""
    if isinstance(axis, float):
        return axis - 90.0 if axis > 90.0 else axis + 90.0
    return np.where(axis > 90.0, axis - 90.0, axis + 90.0)


def _folded(angle: Any) -> Any:
    folded = angle % 180.0
    if isinstance(folded, float):
        return folded if folded > 0.0 else 180.0
    folded[folded <= 0.0] = 180.0
    return folded


def _transposed(s: Any, c: Any, a: Any) -> tuple[Any, Any, Any]:
    if isinstance(c, float) and isinstance(a, float):
        return s + c, 0.0 - c, _written(a) if c == 0.0 else _across(a)
    return s + c, 0.0 - c, np.where(c == 0.0, _written(a), _across(a))


def _in_sign(sign: float, s: Any, c: Any, a: Any) -> tuple[Result, Result, Result]:
    turned, kept = _transposed(s, c, a), (s, c, _written(a))
    if isinstance(c, float):
        return plain_all(*(turned if sign * c < 0.0 else kept))
    return plain_all(*(np.where(sign * c < 0.0, t, k) for t, k in zip(turned, kept, strict=True)))


def _vector(s: Any, c: Any, a: Any) -> tuple[Any, Any, Any]:
    half, double = 0.5 * c, np.deg2rad(2.0 * a)
    return s + half, -half * np.cos(double), -half * np.sin(double)


def _from_vector(m: Any, j0: Any, j45: Any) -> tuple[Any, Any, Any]:
    c = -2.0 * np.sqrt(j0 * j0 + j45 * j45)
    spherical = c > -NEGLIGIBLE
    a = 0.5 * np.rad2deg(np.arctan2(j45, j0)) % 180.0
    at_180 = spherical | (a < _AXIS_SNAP_DEG) | (a > 180.0 - _AXIS_SNAP_DEG)
    if np.ndim(c) == 0:
        c, a = 0.0 if spherical else c, 180.0 if at_180 else a
    else:
        c, a = np.where(spherical, 0.0, c), np.where(at_180, 180.0, a)
    return m - 0.5 * c, c, a


def _combined(first: Triple, second: Triple, sign: float) -> tuple[Result, Result, Result]:
    s1, c1, a1, s2, c2, a2 = numbers(
        **dict(zip(("first_sphere_dpt", "first_cylinder_dpt", "first_axis_deg"), first, strict=True)),
        **dict(zip(("second_sphere_dpt", "second_cylinder_dpt", "second_axis_deg"), second, strict=True)),
    )
    within(a1, "first_axis_deg", 0.0, 180.0)
    within(a2, "second_axis_deg", 0.0, 180.0)
    pairs = zip(_vector(s1, c1, a1), _vector(s2, c2, a2), strict=True)
    return plain_all(*_from_vector(*(one + sign * two for one, two in pairs)))
