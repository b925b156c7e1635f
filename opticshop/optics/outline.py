"""The outline of a lens as a value: points in mm relative to its reference point, and what is measured on them.

An outline is a simple closed polygon, counter-clockwise, seen from the front in the common frame (x to the
examiner's right, y up). The constructors put the boxed centre at the origin. A trace of the right lens
becomes the left one with `mirrored`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from ._numeric import FloatArray, Numeric, number, read_only, scalar, within
from .errors import InvalidOutline, OutOfRange

DEFAULT_POINTS = 720
LARGEST_POINTS = 100_000
LARGEST_EXPONENT = 200.0
_SMALLEST_AREA_MM2 = 1e-6


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed lens shape. `points_mm` is a read-only (n, 2) array, counter-clockwise, without a repeated end point.

    The constructor takes points as they are (any direction, closing point allowed) and does not move them;
    use `from_points` to put the boxed centre at the origin. Raises `InvalidOutline` for fewer than three
    points, no area, or lines that cross. Two outlines are equal when their points are.
    """

    points_mm: FloatArray

    def __post_init__(self) -> None:
        points = number(self.points_mm, "points_mm")
        if not isinstance(points, np.ndarray) or points.ndim != 2 or points.shape[1] != 2:
            raise InvalidOutline("an outline is a list of (x, y) points", field="points_mm")
        if len(points) > LARGEST_POINTS:
            raise InvalidOutline(f"an outline has at most {LARGEST_POINTS} points", field="points_mm")
        points = points[np.any(points != np.roll(points, 1, axis=0), axis=1)]
        if len(points) < 3:
            raise InvalidOutline("an outline needs at least three different points", field="points_mm")
        area = _signed_area(points)
        if abs(area) < _SMALLEST_AREA_MM2:
            raise InvalidOutline("the outline encloses no area", field="points_mm")
        polygon = shapely.Polygon(points)
        if not polygon.is_valid:
            raise InvalidOutline(f"the outline crosses itself: {shapely.is_valid_reason(polygon)}", field="points_mm")
        object.__setattr__(self, "points_mm", read_only(points if area > 0.0 else points[::-1]))

    # Construction -----------------------------------------------------------------------------------------------

    @classmethod
    def from_points(cls, points_mm: Numeric) -> Outline:
        """From (x, y) points in any place; the boxed centre becomes the origin."""
        outline = cls(points_mm)  # type: ignore[arg-type]
        x, y = outline.boxed_centre_mm
        return outline if x == 0.0 and y == 0.0 else outline.translated(-x, -y)

    @classmethod
    def from_radii(cls, radii_mm: Numeric, angles_deg: Numeric | None = None) -> Outline:
        """From a trace: radii about any inner point, at equal angles from 0 counter-clockwise or at given angles.

        Given angles must rise strictly and span less than a full turn.
        """
        radii = number(radii_mm, "radii_mm")
        if not isinstance(radii, np.ndarray) or radii.ndim != 1 or radii.size < 3:
            raise InvalidOutline("a trace needs at least three radii", field="radii_mm")
        if radii.min() <= 0.0:
            raise InvalidOutline("every radius must be positive", field="radii_mm")
        if angles_deg is None:
            angles = np.arange(radii.size) * (360.0 / radii.size)
        else:
            angles = number(angles_deg, "angles_deg")
            if np.shape(angles) != radii.shape:
                raise InvalidOutline("a trace needs as many angles as radii", field="angles_deg")
            if np.any(np.diff(angles) <= 0.0) or angles[-1] - angles[0] >= 360.0:
                raise InvalidOutline("angles must rise within one turn", field="angles_deg")
            if max(np.diff(angles).max(), 360.0 - angles[-1] + angles[0]) >= 180.0:
                raise InvalidOutline("a trace must go all the way round", field="angles_deg")
        return cls.from_points(_polar(radii, np.deg2rad(angles)))

    @classmethod
    def circle(cls, diameter_mm: float, points: int = DEFAULT_POINTS) -> Outline:
        """A round shape, as a regular polygon inscribed in the circle."""
        radius = 0.5 * scalar(diameter_mm, "diameter_mm", 0.1, 1000.0)
        return cls(_polar(np.full(_count(points), radius), _angles(points)))

    @classmethod
    def superellipse(cls, a_mm: float, b_mm: float, exponent: float = 2.0, points: int = DEFAULT_POINTS) -> Outline:
        """|x/(A/2)|^p + |y/(B/2)|^p = 1: an ellipse for p = 2, nearly the box for a large p (1 to 200)."""
        half_a = 0.5 * scalar(a_mm, "a_mm", 0.1, 1000.0)
        half_b = 0.5 * scalar(b_mm, "b_mm", 0.1, 1000.0)
        p = scalar(exponent, "exponent", 1.0, LARGEST_EXPONENT)
        angles = _angles(points)
        u, v = np.abs(np.cos(angles)) / half_a, np.abs(np.sin(angles)) / half_b
        larger = np.maximum(u, v)
        return cls(_polar(1.0 / (larger * ((u / larger) ** p + (v / larger) ** p) ** (1.0 / p)), angles))

    # Measures ---------------------------------------------------------------------------------------------------

    @cached_property
    def _box(self) -> tuple[float, float, float, float]:
        (x_low, y_low), (x_high, y_high) = self.points_mm.min(axis=0), self.points_mm.max(axis=0)
        return float(x_low), float(y_low), float(x_high), float(y_high)

    @property
    def a_mm(self) -> float:
        """Boxed width."""
        return self._box[2] - self._box[0]

    @property
    def b_mm(self) -> float:
        """Boxed height."""
        return self._box[3] - self._box[1]

    @property
    def boxed_centre_mm(self) -> tuple[float, float]:
        return 0.5 * (self._box[0] + self._box[2]), 0.5 * (self._box[1] + self._box[3])

    @property
    def effective_diameter_mm(self) -> float:
        """Twice the greatest distance from the boxed centre to the edge."""
        return 2.0 * self.farthest_from(*self.boxed_centre_mm)

    @cached_property
    def circumference_mm(self) -> float:
        return float(np.hypot(*(np.roll(self.points_mm, -1, axis=0) - self.points_mm).T).sum())

    @cached_property
    def area_mm2(self) -> float:
        return _signed_area(self.points_mm)

    @cached_property
    def hull_mm(self) -> FloatArray:
        """The corners of the convex hull: all that decides whether a circle holds the outline."""
        ring = shapely.get_coordinates(shapely.convex_hull(shapely.MultiPoint(self.points_mm)))
        return read_only(ring[:-1])

    def farthest_from(self, x_mm: float, y_mm: float) -> float:
        """Greatest distance in mm from the point (x, y) to the edge."""
        x, y = scalar(x_mm, "x_mm"), scalar(y_mm, "y_mm")
        return float(np.hypot(self.points_mm[:, 0] - x, self.points_mm[:, 1] - y).max())

    def radii_mm(self, count: int) -> FloatArray:
        """Radii about the origin at `count` equal angles from 0, counter-clockwise.

        Raises `InvalidOutline` when the origin does not see the whole edge (a ray would meet it twice).
        """
        x, y = self.points_mm.T
        after_x, after_y = np.roll(x, -1), np.roll(y, -1)
        cross = x * after_y - y * after_x
        if np.any(cross <= 0.0):
            raise InvalidOutline("the edge cannot be described by one radius an angle", field="points_mm")
        angles = np.arctan2(y, x) % (2.0 * np.pi)
        start = int(np.argmin(angles))
        angles = np.roll(angles, -start)
        wanted = _angles(count)
        edge = (np.searchsorted(angles, wanted, side="right") - 1 + start) % len(x)
        cos, sin = np.cos(wanted), np.sin(wanted)
        along_x, along_y = after_x[edge] - x[edge], after_y[edge] - y[edge]
        return np.asarray(cross[edge] / (cos * along_y - sin * along_x), dtype=np.float64)

    # Movement ---------------------------------------------------------------------------------------------------

    def mirrored(self) -> Outline:
        """The same shape for the other eye (x reversed)."""
        return _trusted(self.points_mm[::-1] * np.array([-1.0, 1.0]))

    def translated(self, x_mm: float, y_mm: float) -> Outline:
        """The shape moved by (x, y); its reference point is then no longer the boxed centre."""
        return _trusted(self.points_mm + np.array([scalar(x_mm, "x_mm"), scalar(y_mm, "y_mm")]))

    def scaled_to(self, a_mm: float, b_mm: float) -> Outline:
        """The shape stretched about its boxed centre to another boxed size."""
        width, height = scalar(a_mm, "a_mm", 0.1, 1000.0), scalar(b_mm, "b_mm", 0.1, 1000.0)
        centre = np.array(self.boxed_centre_mm)
        return _trusted((self.points_mm - centre) * np.array([width / self.a_mm, height / self.b_mm]) + centre)

    def __len__(self) -> int:
        return len(self.points_mm)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Outline) and np.array_equal(self.points_mm, other.points_mm)

    def __hash__(self) -> int:
        return hash(self.points_mm.tobytes())


def superellipse_exponent(a_mm: float, b_mm: float, ed_mm: float) -> float:
    """The exponent p >= 2 whose superellipse has this boxed size and effective diameter.

    The greatest radius of |x/a|^p + |y/b|^p = 1 is the m-norm of (a, b) with m = 2p/(p - 2) (Hoelder),
    solved here by bisection in 1/m. An ED at or below the larger side gives 2 (an ellipse), at or above the
    diagonal `LARGEST_EXPONENT` (practically the box).
    """
    a, b = 0.5 * scalar(a_mm, "a_mm", 0.1, 1000.0), 0.5 * scalar(b_mm, "b_mm", 0.1, 1000.0)
    wanted = 0.5 * scalar(ed_mm, "ed_mm", 0.1, 1500.0)
    larger, ratio = max(a, b), min(a, b) / max(a, b)

    def greatest_radius(q: float) -> float:
        return larger * float((1.0 + ratio ** (1.0 / q)) ** q)

    smallest_q, largest_q = 1e-6, 0.5 - 1.0 / LARGEST_EXPONENT
    if wanted <= larger:
        return 2.0
    if wanted >= greatest_radius(largest_q):
        return LARGEST_EXPONENT
    for _ in range(80):
        middle = 0.5 * (smallest_q + largest_q)
        if greatest_radius(middle) < wanted:
            smallest_q = middle
        else:
            largest_q = middle
    return 2.0 / (1.0 - 2.0 * smallest_q)


def _trusted(points: Any) -> Outline:
    """An outline from points already known to be valid and counter-clockwise."""
    within(points, "points_mm", -1e6, 1e6)
    outline = object.__new__(Outline)
    object.__setattr__(outline, "points_mm", read_only(points))
    return outline


def _count(points: int) -> int:
    if not isinstance(points, int) or not 8 <= points <= LARGEST_POINTS:
        raise OutOfRange(f"the number of points must lie between 8 and {LARGEST_POINTS}", field="points")
    return points


def _angles(points: int) -> FloatArray:
    return np.asarray(np.arange(_count(points)) * (2.0 * np.pi / points), dtype=np.float64)


def _polar(radii: FloatArray, angles: FloatArray) -> FloatArray:
    return np.column_stack((radii * np.cos(angles), radii * np.sin(angles)))


def _signed_area(points: FloatArray) -> float:
    x, y = points.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
