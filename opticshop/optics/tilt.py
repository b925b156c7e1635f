"""Tilted lenses: what a lens does when worn with pantoscopic or face-form tilt, and what to order instead.

For a tilt th about an axis through the optical centre the lens acts with F_eff = k D F D, where D stretches
the tangential meridian by 1/cos th. Martin's k = 1 + sin^2 th / (2n); the exact thin-lens value
(Coddington, stop at the lens) is k = (n cos th' - cos th) / (n - 1) with sin th' = sin th / n. Ordering F =
(1/k) D^-1 F_Rx D^-1 makes the worn lens act as prescribed. Sources: Blendowske; Harris, "Tilted power of
thin lenses", Optom Vis Sci 2002; Martin's formula page
https://resources.wolframcloud.com/FormulaRepository/resources/c0699b29-0c78-47df-8b34-a793561befbb.

Pantoscopic tilt p (about the horizontal) has its tangential meridian at 90, face-form tilt w (about the
vertical) at 0. Together they are one tilt of acos(cos p cos w) about an oblique axis; the lens normal is
then (sin w, -cos w sin p, cos w cos p) on the temporal side, so that p is the angle seen in the vertical
plane (as-worn pantoscopic angle). Valid for thin lenses with the optical centre on the visual axis, up to
20 to 25 degrees.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any

import numpy as np

from ._numeric import Numeric, Result, numbers, plain, plain_all, refractive_index, scalar, within
from .eyes import Eye
from .powers import _from_vector, _vector
from .sphero_cylinder import SpheroCylinder

LARGEST_TILT_DEG = 60.0


class TiltModel(StrEnum):
    """Which k is used."""

    MARTIN = "martin"
    EXACT = "exact"


def tilt_factor(tilt_deg: Numeric, index: Numeric, model: TiltModel = TiltModel.EXACT) -> Result:
    """k, the factor of the sagittal power. Martin's form is the small-angle limit of the exact one."""
    tilt, n = numbers(tilt_deg=tilt_deg, index=index)
    refractive_index(n)
    return plain(_factor(np.cos(np.deg2rad(_tilt(tilt, "tilt_deg"))), n, model))


def combined_tilt(panto_deg: Numeric, wrap_deg: Numeric, eye: Eye = Eye.RIGHT) -> tuple[Result, Result]:
    """(tilt, tangential meridian) in degrees of a lens with both tilts; meridian in [0, 180)."""
    panto, wrap = numbers(panto_deg=panto_deg, wrap_deg=wrap_deg)
    cosine, x, y = _normal(panto, wrap, eye)
    meridian = np.rad2deg(np.arctan2(y, x)) % 180.0
    return plain_all(np.rad2deg(np.arctan2(np.hypot(x, y), cosine)), meridian)


def effective_tilted_power(
    sphere_dpt: Numeric,
    cylinder_dpt: Numeric,
    axis_deg: Numeric,
    *,
    panto_deg: Numeric = 0.0,
    wrap_deg: Numeric = 0.0,
    index: Numeric,
    eye: Eye = Eye.RIGHT,
    model: TiltModel = TiltModel.EXACT,
) -> tuple[Result, Result, Result]:
    """(S, C, a), minus-cylinder form, with which a tilted lens acts. `eye` matters only with both tilts."""
    return _tilted(sphere_dpt, cylinder_dpt, axis_deg, panto_deg, wrap_deg, index, eye, model, ordering=False)


def power_to_order(
    sphere_dpt: Numeric,
    cylinder_dpt: Numeric,
    axis_deg: Numeric,
    *,
    panto_deg: Numeric = 0.0,
    wrap_deg: Numeric = 0.0,
    index: Numeric,
    eye: Eye = Eye.RIGHT,
    model: TiltModel = TiltModel.EXACT,
) -> tuple[Result, Result, Result]:
    """(S, C, a), minus-cylinder form, of the lens that acts as the given power when worn with the tilts."""
    return _tilted(sphere_dpt, cylinder_dpt, axis_deg, panto_deg, wrap_deg, index, eye, model, ordering=True)


def compensated_for_tilt(
    power: SpheroCylinder,
    *,
    panto_deg: float = 0.0,
    wrap_deg: float = 0.0,
    index: float,
    eye: Eye,
    model: TiltModel = TiltModel.EXACT,
) -> SpheroCylinder:
    """`power_to_order` for one lens; the power itself when there is no tilt."""
    panto, wrap = scalar(panto_deg, "panto_deg"), scalar(wrap_deg, "wrap_deg")
    if panto == 0.0 and wrap == 0.0:
        return power
    ordered = power_to_order(*power.triple, panto_deg=panto, wrap_deg=wrap, index=index, eye=eye, model=model)
    return SpheroCylinder(*ordered)


def centre_drop_mm(panto_deg: Numeric) -> Result:
    """Rule of thumb: the optical centre is lowered 1 mm for every 2 degrees of pantoscopic tilt."""
    (panto,) = numbers(panto_deg=panto_deg)
    return plain(0.5 * _tilt(panto, "panto_deg"))


def _tilt(value: Any, field: str) -> Any:
    return within(value, field, -LARGEST_TILT_DEG, LARGEST_TILT_DEG)


def _factor(cosine: Any, n: Any, model: TiltModel) -> Any:
    sine_squared = 1.0 - cosine * cosine
    if model is TiltModel.MARTIN:
        return 1.0 + sine_squared / (2.0 * n)
    return (np.sqrt(n * n - sine_squared) - cosine) / (n - 1.0)


def _normal(panto_deg: Any, wrap_deg: Any, eye: Eye) -> tuple[Any, Any, Any]:
    """(cosine of the tilt, x, y) of the front normal; the temporal side is -x for the right eye."""
    panto, wrap = np.deg2rad(_tilt(panto_deg, "panto_deg")), np.deg2rad(_tilt(wrap_deg, "wrap_deg"))
    return np.cos(wrap) * np.cos(panto), -eye.nasal_sign * np.sin(wrap), -np.cos(wrap) * np.sin(panto)


def _tilted(
    sphere: Numeric,
    cylinder: Numeric,
    axis: Numeric,
    panto: Numeric,
    wrap: Numeric,
    index: Numeric,
    eye: Eye,
    model: TiltModel,
    *,
    ordering: bool,
) -> tuple[Result, Result, Result]:
    s, c, a, p, w, n = numbers(
        sphere_dpt=sphere, cylinder_dpt=cylinder, axis_deg=axis, panto_deg=panto, wrap_deg=wrap, index=index
    )
    within(a, "axis_deg", 0.0, 180.0)
    refractive_index(n)
    cosine, x, y = _normal(p, w, eye)
    k = _factor(cosine, n, model)
    stretch, scale = (cosine, 1.0 / k) if ordering else (1.0 / cosine, k)
    squared = x * x + y * y
    level = squared == 0.0
    cos_double = np.where(level, 1.0, (x * x - y * y) / np.where(level, 1.0, squared))
    sin_double = np.where(level, 0.0, 2.0 * x * y / np.where(level, 1.0, squared))
    middle, half = 0.5 * (stretch + 1.0), 0.5 * (stretch - 1.0)
    d11, d12, d22 = middle + half * cos_double, half * sin_double, middle - half * cos_double
    m, j0, j45 = _vector(s, c, a)
    f11, f12, f22 = m + j0, j45, m - j0
    g11, g12 = d11 * f11 + d12 * f12, d11 * f12 + d12 * f22
    g21, g22 = d12 * f11 + d22 * f12, d12 * f12 + d22 * f22
    e11, e12, e22 = g11 * d11 + g12 * d12, g11 * d12 + g12 * d22, g21 * d12 + g22 * d22
    return plain_all(*_from_vector(0.5 * scale * (e11 + e22), 0.5 * scale * (e11 - e22), scale * e12))
