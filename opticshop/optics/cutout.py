"""The exact cut-out test: does this outline, decentred for this eye, lie inside this blank?

The optical (or prism reference) centre of the blank is laid on the centration point. Coordinates are those
of the outline: the boxed centre at the origin. A margin all round is the same as a blank smaller by the
margin, because a disc of radius R holds the outline grown by m exactly when a disc of radius R - m holds
the outline.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ._numeric import FloatArray, scalar
from .boxing import Decentration
from .circles import Circle, shortest_move_into_discs, smallest_enclosing_circle
from .errors import OutOfRange
from .eyes import Eye
from .outline import Outline

_TOUCHING_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Blank:
    """A round blank. Its optical centre is the origin of its own frame (common orientation).

    `centre_*_mm` is where the middle of the blank lies relative to the optical centre (zero unless the
    blank is decentred); `usable_*` describes a second, optional circle inside which the lens is good.
    """

    diameter_mm: float
    centre_x_mm: float = 0.0
    centre_y_mm: float = 0.0
    usable_diameter_mm: float | None = None
    usable_x_mm: float | None = None
    usable_y_mm: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "diameter_mm", scalar(self.diameter_mm, "diameter_mm", 1.0, 1000.0))
        for name in ("centre_x_mm", "centre_y_mm"):
            object.__setattr__(self, name, scalar(getattr(self, name), name, -100.0, 100.0))
        if self.usable_diameter_mm is None:
            if self.usable_x_mm is not None or self.usable_y_mm is not None:
                raise OutOfRange("a usable circle needs a diameter", field="usable_diameter_mm")
            return
        usable = scalar(self.usable_diameter_mm, "usable_diameter_mm", 1.0, 1000.0)
        object.__setattr__(self, "usable_diameter_mm", usable)
        for name, default in (("usable_x_mm", self.centre_x_mm), ("usable_y_mm", self.centre_y_mm)):
            value = getattr(self, name)
            object.__setattr__(self, name, default if value is None else scalar(value, name, -100.0, 100.0))

    @property
    def circles(self) -> tuple[Circle, ...]:
        """The one or two circles the lens must lie in."""
        rim = Circle(self.centre_x_mm, self.centre_y_mm, 0.5 * self.diameter_mm)
        if self.usable_diameter_mm is None:
            return (rim,)
        assert self.usable_x_mm is not None
        assert self.usable_y_mm is not None
        return rim, Circle(self.usable_x_mm, self.usable_y_mm, 0.5 * self.usable_diameter_mm)

    def mirrored(self) -> Blank:
        """The same blank for the other eye (x reversed)."""
        usable_x = None if self.usable_x_mm is None else -self.usable_x_mm
        return Blank(
            self.diameter_mm,
            -self.centre_x_mm,
            self.centre_y_mm,
            self.usable_diameter_mm,
            usable_x,
            self.usable_y_mm,
        )


@dataclass(frozen=True, slots=True)
class ShiftToFit:
    """The smallest move of the optical centre away from the centration point that makes the lens cut out.

    (x, y) in the common frame, mm; the prism it induces is F c with c this move (`prism_of_decentration`).
    """

    x_mm: float
    y_mm: float

    @property
    def distance_mm(self) -> float:
        return float(np.hypot(self.x_mm, self.y_mm))

    def decentration(self, eye: Eye) -> Decentration:
        """The move in the words in and up."""
        return Decentration(self.x_mm * eye.nasal_sign, self.y_mm)


@dataclass(frozen=True, slots=True)
class CutOut:
    """Outcome of the cut-out test.

    `clearance_mm` is the least distance left between the outline grown by the margin and the rim (negative:
    what is missing), met at `worst_point_mm` (boxed-centre frame). `required_diameter_mm` is the smallest
    blank centred on the optical centre that would do; `smallest_diameter_mm` the smallest that would do
    wherever its centre lies, with that centre at (`enclosing.x_mm`, `enclosing.y_mm`). `shift` is None when
    the lens fits as it is, or when no shift makes it fit.
    """

    fits: bool
    clearance_mm: float
    worst_point_mm: tuple[float, float]
    required_diameter_mm: float
    smallest_diameter_mm: float
    enclosing: Circle
    shift: ShiftToFit | None

    @property
    def can_fit(self) -> bool:
        return self.fits or self.shift is not None


def minimum_blank_exact_mm(
    outline: Outline, centration_x_mm: float, centration_y_mm: float, margin_mm: float = 0.0
) -> float:
    """Diameter of the smallest blank, centred on its optical centre, that holds the outline and its margin."""
    margin = scalar(margin_mm, "margin_mm", 0.0, 100.0)
    return 2.0 * (outline.farthest_from(centration_x_mm, centration_y_mm) + margin)


def cut_out(
    outline: Outline,
    blank: Blank,
    *,
    centration_x_mm: float = 0.0,
    centration_y_mm: float = 0.0,
    margin_mm: float = 0.0,
) -> CutOut:
    """Test whether `blank`, its optical centre on the centration point, holds `outline` with a margin all round.

    The centration point is in the outline's frame (x to the examiner's right, for a right eye nasal is
    positive). Exact for the polygon. Touching counts as fitting.
    """
    x, y = (
        scalar(centration_x_mm, "centration_x_mm", -100.0, 100.0),
        scalar(centration_y_mm, "centration_y_mm", -100.0, 100.0),
    )
    margin = scalar(margin_mm, "margin_mm", 0.0, 100.0)
    hull, circles = outline.hull_mm, blank.circles
    room = np.stack([c.radius_mm - margin - _distances(hull, x + c.x_mm, y + c.y_mm) for c in circles])
    worst = int(np.argmin(room.min(axis=0)))
    clearance = float(room.min())
    fits = clearance >= -_TOUCHING_MM
    enclosing = smallest_enclosing_circle(hull)
    return CutOut(
        fits=fits,
        clearance_mm=clearance,
        worst_point_mm=(float(hull[worst, 0]), float(hull[worst, 1])),
        required_diameter_mm=2.0 * (float(_distances(hull, x, y).max()) + margin),
        smallest_diameter_mm=2.0 * (enclosing.radius_mm + margin),
        enclosing=enclosing,
        shift=None if fits else _shift(hull, circles, x, y, margin),
    )


def cut_out_for_eye(
    outline: Outline, blank: Blank, eye: Eye, decentration: Decentration, margin_mm: float = 0.0
) -> CutOut:
    """`cut_out` with the decentration given inward and upward. Outline and blank are those of this eye."""
    return cut_out(
        outline,
        blank,
        centration_x_mm=decentration.x_mm(eye),
        centration_y_mm=decentration.up_mm,
        margin_mm=margin_mm,
    )


def _distances(points: FloatArray, x: float, y: float) -> FloatArray:
    return np.asarray(np.hypot(points[:, 0] - x, points[:, 1] - y), dtype=np.float64)


def _shift(hull: FloatArray, circles: tuple[Circle, ...], x: float, y: float, margin: float) -> ShiftToFit | None:
    """Moved by s, circle k holds point p when |p - c - g_k - s| <= r_k - margin: s must lie in a set of discs."""
    centres = np.concatenate([hull - np.array([x + c.x_mm, y + c.y_mm]) for c in circles])
    radii = np.concatenate([np.full(len(hull), c.radius_mm - margin) for c in circles])
    move = shortest_move_into_discs(centres, radii)
    return None if move is None else ShiftToFit(*move)
