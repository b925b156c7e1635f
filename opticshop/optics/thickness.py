"""Thickness of meniscus lenses: at the centre, at any point, and along the whole outline.

e(x, y) = tc - s1(x, y) + s2(x, y), parallel to the axis, from the optical centre; s1 is the front sagitta
(convex positive), s2 the back sagitta (concave positive). The front is spherical, the back spherical or
toric. A toric back is the tyre form: the steeper principal circle swept along the flatter one. A prism
ground into the lens is a wedge that grows by P / (100 (n - 1)) per mm toward its base. No bevel. Radii
follow from surface powers in the lens's own index; the back surface follows from the wanted back vertex
power at the final centre thickness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ._numeric import (
    FloatArray,
    Numeric,
    Result,
    blockwise,
    number,
    numbers,
    plain,
    refractive_index,
    scalar,
    within,
)
from .errors import ImpossibleThickness
from .outline import Outline
from .prism import NO_PRISM, Prism
from .sphero_cylinder import SpheroCylinder
from .surfaces import sphere_sag, torus_sag
from .vertex_power import LARGEST_THICKNESS_MM, vergence_through

_CLOSE_MM = 1e-10
_MOST_STEPS = 60
_INWARD = np.linspace(0.0, 1.0, 41)[:, None]


@blockwise
def edge_thickness_mm(
    front_power_dpt: Numeric, back_power_dpt: Numeric, centre_mm: Numeric, y_mm: Numeric, index: Numeric
) -> Result:
    """Thickness at height y of a lens with two spherical surfaces (surface powers in dioptres).

    Raises `SurfaceTooSteep` when a surface does not reach y and `ImpossibleThickness` when nothing is left
    there.
    """
    f1, f2, tc, y, n = numbers(
        front_power_dpt=front_power_dpt,
        back_power_dpt=back_power_dpt,
        centre_mm=centre_mm,
        y_mm=y_mm,
        index=index,
    )
    refractive_index(n)
    within(tc, "centre_mm", 0.0, LARGEST_THICKNESS_MM)
    per_power = 1.0 / (1000.0 * (n - 1.0))
    thickness = tc - sphere_sag(f1 * per_power, y * y) + sphere_sag(-f2 * per_power, y * y)
    if np.min(thickness, initial=np.inf) < 0.0:
        raise ImpossibleThickness("the surfaces cross before this height", field="centre_mm")
    return plain(thickness)


@dataclass(frozen=True, slots=True)
class MeniscusLens:
    """A finished lens: spherical front, spherical or toric back, and possibly a ground prism.

    `front_power_dpt` and `back` are surface powers in the lens's index; `back` is negative for a concave
    surface.
    """

    front_power_dpt: float
    back: SpheroCylinder
    centre_thickness_mm: float
    index: float
    prism: Prism = NO_PRISM

    def __post_init__(self) -> None:
        object.__setattr__(self, "front_power_dpt", scalar(self.front_power_dpt, "front_power_dpt"))
        thickness = scalar(self.centre_thickness_mm, "centre_thickness_mm", 0.0, LARGEST_THICKNESS_MM)
        object.__setattr__(self, "centre_thickness_mm", thickness)
        object.__setattr__(self, "index", refractive_index(scalar(self.index, "index")))

    @classmethod
    def of_back_vertex_power(
        cls,
        power: SpheroCylinder,
        *,
        front_power_dpt: float,
        centre_thickness_mm: float,
        index: float,
        prism: Prism = NO_PRISM,
    ) -> MeniscusLens:
        """The lens of this back vertex power with the given front surface and centre thickness."""
        n = refractive_index(scalar(index, "index"))
        t = scalar(centre_thickness_mm, "centre_thickness_mm", 0.0, LARGEST_THICKNESS_MM)
        arriving = vergence_through(scalar(front_power_dpt, "front_power_dpt"), t, n, "front_power_dpt")
        back = SpheroCylinder(power.sphere_dpt - arriving, power.cylinder_dpt, power.axis_deg)
        return cls(front_power_dpt, back, t, n, prism)

    @property
    def back_vertex_power(self) -> SpheroCylinder:
        arriving = vergence_through(self.front_power_dpt, self.centre_thickness_mm, self.index, "front_power_dpt")
        return SpheroCylinder(self.back.sphere_dpt + arriving, self.back.cylinder_dpt, self.back.axis_deg)

    def thickness_mm(self, x_mm: Numeric, y_mm: Numeric) -> Result:
        """Thickness at (x, y) from the optical centre; scalars or arrays.

        Raises `SurfaceTooSteep` where a surface ends and `ImpossibleThickness` where the surfaces have crossed.
        """
        x, y = numbers(x_mm=x_mm, y_mm=y_mm)
        thickness = self._thickness(x, y)
        if np.min(thickness, initial=np.inf) < 0.0:
            raise ImpossibleThickness("the surfaces cross before this point", field="centre_thickness_mm")
        return plain(thickness)

    def _thickness(self, x: Any, y: Any) -> Any:
        """The same, negative where the surfaces have crossed."""
        per_power = 1.0 / (1000.0 * (self.index - 1.0))
        thickness = self.centre_thickness_mm - sphere_sag(self.front_power_dpt * per_power, x * x + y * y)
        along, across = (-power * per_power for power in self.back.principal_powers_dpt)
        if along == across:
            thickness = thickness + sphere_sag(along, x * x + y * y)
        else:
            angle = np.deg2rad(self.back.axis_deg)
            cos, sin = float(np.cos(angle)), float(np.sin(angle))
            u, v = x * cos + y * sin, y * cos - x * sin
            if abs(along) > abs(across):
                along, across, u, v = across, along, v, u
            thickness = thickness + torus_sag(along, across, u, v)
        if not self.prism.is_zero:
            slope = 1.0 / (100.0 * (self.index - 1.0))
            thickness = thickness + slope * (self.prism.x_pdpt * x + self.prism.y_pdpt * y)
        return thickness


@dataclass(frozen=True, eq=False)
class EdgeProfile:
    """Thickness along an outline: one value a point of the outline, in the same order, and the two extremes.

    Points are in the outline's frame (boxed centre); `distances_mm` are from the optical centre.
    """

    thickness_mm: FloatArray
    distances_mm: FloatArray
    points_mm: FloatArray

    @property
    def thinnest_mm(self) -> float:
        return float(self.thickness_mm.min())

    @property
    def thickest_mm(self) -> float:
        return float(self.thickness_mm.max())

    @property
    def thinnest_at_mm(self) -> tuple[float, float]:
        x, y = self.points_mm[int(self.thickness_mm.argmin())]
        return float(x), float(y)

    @property
    def thickest_at_mm(self) -> tuple[float, float]:
        x, y = self.points_mm[int(self.thickness_mm.argmax())]
        return float(x), float(y)


def edge_profile(
    lens: MeniscusLens, outline: Outline, *, centre_x_mm: float = 0.0, centre_y_mm: float = 0.0
) -> EdgeProfile:
    """Edge thickness along the whole outline, the optical centre at (x, y) in the outline's frame.

    Raises `SurfaceTooSteep` or `ImpossibleThickness` when the lens ends before the outline does.
    """
    x, y = _from_centre(outline, centre_x_mm, centre_y_mm)
    thickness = np.asarray(lens.thickness_mm(x, y))
    return EdgeProfile(thickness, np.asarray(np.hypot(x, y)), outline.points_mm)


def lens_for_outline(
    power: SpheroCylinder,
    outline: Outline,
    *,
    front_power_dpt: float,
    index: float,
    minimum_centre_mm: float,
    minimum_edge_mm: float,
    centre_x_mm: float = 0.0,
    centre_y_mm: float = 0.0,
    prism: Prism = NO_PRISM,
) -> MeniscusLens:
    """The thinnest lens of this back vertex power whose centre and whose whole edge keep their minimum.

    For a minus lens that is the minimum centre; for a plus lens the centre is solved so that the thinnest
    point of the edge has the minimum. With a ground prism the thinnest place lies off the centre, toward
    the apex: the minimum then holds over the whole lens, seen on a fine grid. Raises `ImpossibleThickness`
    when no lens up to 100 mm thick does it.
    """
    x, y = _from_centre(outline, centre_x_mm, centre_y_mm)
    return _thinnest(power, x, y, front_power_dpt, index, minimum_centre_mm, minimum_edge_mm, prism)


def round_lens(
    power: SpheroCylinder,
    diameter_mm: float,
    *,
    front_power_dpt: float,
    index: float,
    minimum_centre_mm: float,
    minimum_edge_mm: float,
) -> MeniscusLens:
    """The thinnest round lens, centred, that keeps both minima; the edge is judged on the principal meridians."""
    radius = 0.5 * scalar(diameter_mm, "diameter_mm", 0.1, 1000.0)
    angles = np.deg2rad(np.array([power.axis_deg, power.axis_deg + 90.0]))
    x, y = radius * np.cos(angles), radius * np.sin(angles)
    return _thinnest(power, x, y, front_power_dpt, index, minimum_centre_mm, minimum_edge_mm, NO_PRISM)


def _thinnest(
    power: SpheroCylinder,
    x: FloatArray,
    y: FloatArray,
    front_power_dpt: float,
    index: float,
    minimum_centre_mm: float,
    minimum_edge_mm: float,
    prism: Prism,
) -> MeniscusLens:
    least_centre = scalar(minimum_centre_mm, "minimum_centre_mm", 0.0, LARGEST_THICKNESS_MM)
    least_edge = scalar(minimum_edge_mm, "minimum_edge_mm", 0.0, LARGEST_THICKNESS_MM)
    centre = least_centre
    for _ in range(_MOST_STEPS):
        lens = MeniscusLens.of_back_vertex_power(
            power, front_power_dpt=front_power_dpt, centre_thickness_mm=centre, index=index, prism=prism
        )
        missing = least_edge - float(lens._thickness(x, y).min())
        if not prism.is_zero:
            inside = lens._thickness(_INWARD * x, _INWARD * y)
            missing = max(missing, least_centre - float(inside.min()))
        wanted = max(least_centre, centre + missing)
        if abs(wanted - centre) < _CLOSE_MM:
            return lens
        if wanted > LARGEST_THICKNESS_MM:
            break
        centre = wanted
    raise ImpossibleThickness("no centre thickness keeps the minimum edge", field="minimum_edge_mm")


def _from_centre(outline: Outline, x_mm: float, y_mm: float) -> tuple[FloatArray, FloatArray]:
    points: Any = number(outline.points_mm, "points_mm")
    return points[:, 0] - scalar(x_mm, "centre_x_mm"), points[:, 1] - scalar(y_mm, "centre_y_mm")
