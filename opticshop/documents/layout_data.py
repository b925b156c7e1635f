"""What the layout drawing is made from.

Lengths are in mm. x runs to the viewer's right and y up, the viewer facing the wearer: the wearer's right eye is on
the viewer's left, its nasal side toward +x. Angles are TABO degrees, counter-clockwise from +x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from opticshop.optics.boxing import SIZE_SLACK_MM
from opticshop.optics.eyes import Eye

from .errors import DocumentError

LARGEST_MM = 200.0
_OPTICAL_CENTRE = ("optical_centre_in_mm", "optical_centre_up_mm")


@dataclass(frozen=True, slots=True)
class LayoutEye:
    """One eye of the drawing.

    ``outline_mm`` is a closed polygon of (x, y) points relative to the boxed centre, as the viewer sees it from the
    front (give each eye its own outline: that of the left eye is the mirrored right one). ``in_mm`` and ``up_mm`` place
    the centration point relative to the boxed centre, nasally and upward positive. The optical centre of the blank is
    laid on it unless ``optical_centre_in_mm`` and ``optical_centre_up_mm`` place it elsewhere on purpose (prism made by
    decentring, a shift that makes the lens cut out). ``blank_centre_x_mm`` and ``blank_centre_y_mm`` say where the
    middle of the blank lies relative to its optical centre, in the drawing's own x and y (zero unless the blank is
    decentred). ``label`` is a short line above the eye, such as its power. ``shape`` says where the outline comes from,
    ``shape_is_assumed`` that nobody traced it. ``edge_mm`` holds (x, y, thickness) of points of the edge, from the
    boxed centre; their thickness is written outside the outline.

    Raises DocumentError for sizes that are not positive and for an outline that does not fill the stated box, to
    within the half millimetre of a ruler, about its centre.
    """

    eye: Eye
    outline_mm: tuple[tuple[float, float], ...]
    a_mm: float
    b_mm: float
    in_mm: float
    up_mm: float
    blank_diameter_mm: float
    usable_diameter_mm: float | None = None
    axis_deg: float | None = None
    label: str = ""
    blank_centre_x_mm: float = 0.0
    blank_centre_y_mm: float = 0.0
    optical_centre_in_mm: float | None = None
    optical_centre_up_mm: float | None = None
    shape: str = ""
    shape_is_assumed: bool = False
    edge_mm: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        for name in ("a_mm", "b_mm", "blank_diameter_mm"):
            _within(getattr(self, name), name, 1.0, LARGEST_MM)
        if self.usable_diameter_mm is not None:
            _within(self.usable_diameter_mm, "usable_diameter_mm", 1.0, LARGEST_MM)
        for name in ("in_mm", "up_mm", "blank_centre_x_mm", "blank_centre_y_mm", *_OPTICAL_CENTRE):
            if getattr(self, name) is not None:
                _within(getattr(self, name), name, -100.0, 100.0)
        if self.axis_deg is not None:
            _within(self.axis_deg, "axis_deg", 0.0, 180.0)
        self._check_outline()

    def _check_outline(self) -> None:
        if len(self.outline_mm) < 3:
            raise DocumentError("an outline needs at least three points", field="outline_mm")
        for size, values in (
            (self.a_mm, [p[0] for p in self.outline_mm]),
            (self.b_mm, [p[1] for p in self.outline_mm]),
        ):
            low, high = min(values), max(values)
            if not (math.isfinite(low) and math.isfinite(high)):
                raise DocumentError("an outline is made of finite numbers", field="outline_mm")
            if abs(high - low - size) > SIZE_SLACK_MM or abs(high + low) / 2 > SIZE_SLACK_MM:
                detail = f"the outline spans {low:.2f} to {high:.2f} mm, its box {-size / 2:.2f} to {size / 2:.2f} mm"
                raise DocumentError(detail, field="outline_mm")


@dataclass(frozen=True, slots=True)
class LayoutData:
    """The drawing of a pair (or of one eye).

    ``title``, ``subtitle`` and ``warnings`` (short lines, in red) stand above a drawing that is printed alone.
    """

    eyes: tuple[LayoutEye, ...]
    dbl_mm: float
    title: str = ""
    subtitle: str = ""
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _within(self.dbl_mm, "dbl_mm", 0.0, 100.0)
        names = [each.eye for each in self.eyes]
        if not names or len(set(names)) != len(names):
            raise DocumentError("a layout shows the right eye, the left eye, or one of each", field="eyes")

    def boxed_centre_mm(self, eye: LayoutEye) -> tuple[float, float]:
        """The boxed centre of an eye, from the middle of the bridge on the datum line; so are the points below."""
        return -eye.eye.nasal_sign * (eye.a_mm + self.dbl_mm) / 2, 0.0

    def centration_point_mm(self, eye: LayoutEye) -> tuple[float, float]:
        return self.boxed_centre_mm(eye)[0] + eye.eye.nasal_sign * eye.in_mm, eye.up_mm

    def optical_centre_mm(self, eye: LayoutEye) -> tuple[float, float]:
        inward = eye.in_mm if eye.optical_centre_in_mm is None else eye.optical_centre_in_mm
        up = eye.up_mm if eye.optical_centre_up_mm is None else eye.optical_centre_up_mm
        return self.boxed_centre_mm(eye)[0] + eye.eye.nasal_sign * inward, up

    def blank_centre_mm(self, eye: LayoutEye) -> tuple[float, float]:
        x, y = self.optical_centre_mm(eye)
        return x + eye.blank_centre_x_mm, y + eye.blank_centre_y_mm

    def outline_mm(self, eye: LayoutEye) -> tuple[tuple[float, float], ...]:
        centre = self.boxed_centre_mm(eye)[0]
        return tuple((x + centre, y) for x, y in eye.outline_mm)

    def centration_distance_mm(self, eye: LayoutEye) -> float:
        """The monocular centration distance: from the middle of the bridge to the centration point."""
        return -eye.eye.nasal_sign * self.centration_point_mm(eye)[0]


def _within(value: float, field: str, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise DocumentError(f"{field} must lie between {low:g} and {high:g}", field=field)
