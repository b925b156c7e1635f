"""What every reader gives: one or two outlines, what the file says about them, and what is measured on them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import shapely

from opticshop.optics.errors import OpticsError
from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline

from .errors import TraceError
from .records import Missing, Value

#: A lens shape lies within these distances of the point it is measured from (the trade's dossier on trace records).
SMALLEST_RADIUS_MM, LARGEST_RADIUS_MM = 5.0, 60.0
#: The perimeter of a lens shape is hardly longer than that of its hull (own choice, no source): above, it is no lens.
JAGGED_RATIO, ROUGH_RATIO = 1.10, 1.02
FEWEST_POINTS, MOST_POINTS = 8, 10_000


@dataclass(frozen=True, slots=True)
class Note:
    """Something to look at; nothing is refused for it. ``eye`` is None when it concerns the pair or the file."""

    code: str
    words: str
    eye: Eye | None = None
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Measures:
    """Sizes of an outline by the boxing system (ISO 8624), mm and degrees.

    ``ed_mm`` is twice the greatest distance from the boxed centre, ``ed_axis_deg`` the direction (0 to 360, seen from
    the front) in which it lies; ``circumference_mm`` is the length of the closed polygon.
    """

    a_mm: float
    b_mm: float
    ed_mm: float
    ed_axis_deg: float
    circumference_mm: float

    @classmethod
    def of(cls, outline: Outline) -> Measures:
        away = outline.points_mm - np.array(outline.boxed_centre_mm)
        x, y = away[int(np.hypot(away[:, 0], away[:, 1]).argmax())]
        axis = math.degrees(math.atan2(y, x)) % 360.0
        return cls(
            outline.a_mm,
            outline.b_mm,
            outline.effective_diameter_mm,
            0.0 if axis > 359.9999 else axis,
            outline.circumference_mm,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """The outline of one eye, boxed centre at the origin, seen from the front; ``is_mirrored``: from the other eye."""

    eye: Eye
    outline: Outline
    is_mirrored: bool = False

    @property
    def measures(self) -> Measures:
        return Measures.of(self.outline)

    def mirrored(self) -> Shape:
        return Shape(self.eye.other, self.outline.mirrored(), is_mirrored=True)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A file that was read: the eyes it holds, the sizes it states and what was noted on the way.

    ``stated`` maps a size (``a_mm``, ``b_mm``, ``ed_mm``, ``circumference_mm``, ``frame_curve_dpt``) of an eye to what
    the file says; a size it does not speak of is absent. ``dbl_mm`` is the distance between the lenses. ``kind`` is
    what was traced: frame, pattern, demo lens, or empty.
    """

    shapes: Mapping[Eye, Shape]
    stated: Mapping[tuple[Eye, str], Value] = field(default_factory=dict)
    dbl_mm: Value = Missing.NOT_GIVEN
    kind: str = ""
    notes: tuple[Note, ...] = ()

    def of(self, eye: Eye) -> Shape:
        """The shape of this eye; the mirror image of the other where only that was traced."""
        return self.shapes[eye] if eye in self.shapes else self.shapes[eye.other].mirrored()


def lens_shape(eye: Eye, outline: Outline, *, line: int | None = None, label: str = "") -> tuple[Shape, list[Note]]:
    """The shape and what is odd about it. Raises TraceError for what cannot be a lens."""
    x, y = outline.boxed_centre_mm
    farthest = outline.farthest_from(x, y)
    ring = shapely.LinearRing(outline.points_mm)
    nearest = float(ring.distance(shapely.Point(x, y)))
    if not shapely.Polygon(ring).contains(shapely.Point(x, y)):
        raise TraceError("the outline does not surround the middle of its box", line=line, label=label)
    if nearest < SMALLEST_RADIUS_MM or farthest > LARGEST_RADIUS_MM:
        raise TraceError(
            f"the edge lies {nearest:.1f} to {farthest:.1f} mm from the middle of its box; a lens shape keeps within "
            f"{SMALLEST_RADIUS_MM:g} and {LARGEST_RADIUS_MM:g} mm",
            line=line,
            label=label,
        )
    ratio = outline.circumference_mm / float(ring.convex_hull.length)
    if ratio > JAGGED_RATIO:
        raise TraceError(
            f"the outline is jagged: its edge is {ratio:.2f} times as long as that of its hull", line=line, label=label
        )
    notes = []
    if ratio > ROUGH_RATIO:
        words = f"The outline is rough: its edge is {ratio:.3f} times as long as that of its hull."
        notes.append(Note("rough_outline", words, eye, line))
    return Shape(eye, outline), notes


def outline_of_points(points: object, *, line: int | None = None, label: str = "") -> Outline:
    """The closed polygon, boxed centre at the origin. Raises TraceError for points that are no simple outline."""
    try:
        return Outline.from_points(points)  # type: ignore[arg-type]
    except OpticsError as error:
        raise TraceError(error.message, line=line, label=label) from error


def outline_of_radii(radii: object, angles_deg: object | None, *, line: int | None = None, label: str = "") -> Outline:
    try:
        return Outline.from_radii(radii, angles_deg)  # type: ignore[arg-type]
    except OpticsError as error:
        raise TraceError(error.message, line=line, label=label) from error
