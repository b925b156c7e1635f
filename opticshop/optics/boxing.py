"""The boxing system (ISO 8624): boxed sizes, decentration, and the minimum blank by rule.

A is the width and B the height of the box around the lens, DBL the shortest distance between the lenses, ED
twice the greatest distance from the boxed centre to the lens edge. All lengths in mm. Decentration is
positive inward (nasally) and upward; `Decentration.x_mm` turns it into the common frame for one eye.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ._numeric import Numeric, Result, numbers, plain, scalar, within
from .errors import OutOfRange
from .eyes import Eye

LARGEST_MM = 1000.0
SIZE_SLACK_MM = 0.5
"""Readings from a rule are commonly given to half a millimetre (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class BoxedFrame:
    """Boxed sizes of a frame. `ed_mm` may be None when it was not measured.

    Raises `OutOfRange` for sizes that are not positive, and for an ED smaller than the larger of A and B or
    larger than the box's diagonal (by more than `SIZE_SLACK_MM`): no outline has it.
    """

    a_mm: float
    b_mm: float
    dbl_mm: float
    ed_mm: float | None = None

    def __post_init__(self) -> None:
        for name in ("a_mm", "b_mm", "dbl_mm"):
            object.__setattr__(self, name, scalar(getattr(self, name), name, 0.1, LARGEST_MM))
        if self.ed_mm is not None:
            ed = scalar(self.ed_mm, "ed_mm", 0.1, LARGEST_MM)
            object.__setattr__(self, "ed_mm", ed)
            smallest, largest = max(self.a_mm, self.b_mm), float(np.hypot(self.a_mm, self.b_mm))
            if not smallest - SIZE_SLACK_MM <= ed <= largest + SIZE_SLACK_MM:
                raise OutOfRange(
                    f"the effective diameter of this box lies between {smallest:.2f} and {largest:.2f} mm",
                    field="ed_mm",
                )

    @property
    def boxed_centre_distance_mm(self) -> float:
        """A + DBL, the distance between the boxed centres (frame PD)."""
        return self.a_mm + self.dbl_mm


@dataclass(frozen=True, slots=True)
class Decentration:
    """Position of a centration point relative to the boxed centre: inward (nasal) and upward positive."""

    in_mm: float
    up_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("in_mm", "up_mm"):
            object.__setattr__(self, name, scalar(getattr(self, name), name, -LARGEST_MM, LARGEST_MM) + 0.0)

    def x_mm(self, eye: Eye) -> float:
        """Horizontal position in the common frame (positive to the examiner's right)."""
        return self.in_mm * eye.nasal_sign + 0.0

    @property
    def distance_mm(self) -> float:
        return float(np.hypot(self.in_mm, self.up_mm))


def boxed_centre_distance_mm(a_mm: Numeric, dbl_mm: Numeric) -> Result:
    """A + DBL."""
    a, dbl = numbers(a_mm=a_mm, dbl_mm=dbl_mm)
    return plain(_length(a, "a_mm") + _length(dbl, "dbl_mm"))


def decentration_in_mm(a_mm: Numeric, dbl_mm: Numeric, mono_pd_mm: Numeric) -> Result:
    """Inward decentration of one eye, (A + DBL)/2 - monocular PD."""
    a, dbl, pd = numbers(a_mm=a_mm, dbl_mm=dbl_mm, mono_pd_mm=mono_pd_mm)
    return plain(0.5 * (_length(a, "a_mm") + _length(dbl, "dbl_mm")) - _length(pd, "mono_pd_mm"))


def decentration_in_binocular_mm(a_mm: Numeric, dbl_mm: Numeric, pd_mm: Numeric) -> Result:
    """Inward decentration of each eye from a binocular PD, (A + DBL - PD)/2: assumes a face of equal halves."""
    a, dbl, pd = numbers(a_mm=a_mm, dbl_mm=dbl_mm, pd_mm=pd_mm)
    return plain(0.5 * (_length(a, "a_mm") + _length(dbl, "dbl_mm") - _length(pd, "pd_mm")))


def decentration_up_mm(height_mm: Numeric, b_mm: Numeric) -> Result:
    """Upward decentration of a height measured from the lowest tangent of the box, height - B/2."""
    height, b = numbers(height_mm=height_mm, b_mm=b_mm)
    within(height, "height_mm", 0.0, LARGEST_MM)
    return plain(height - 0.5 * _length(b, "b_mm"))


def minimum_blank_mm(ed_mm: Numeric, in_mm: Numeric, up_mm: Numeric = 0.0, allowance_mm: Numeric = 0.0) -> Result:
    """Rule of thumb: ED + 2 sqrt(in^2 + up^2) + allowance. An upper bound of what the outline really needs.

    The allowance is often 2 mm for edging
    (https://brainscape.com/flashcards/unit-6-7-dispensing-and-fabrication-13778781/packs/21400064); it is
    zero unless given.
    """
    ed, inward, up, allowance = numbers(ed_mm=ed_mm, in_mm=in_mm, up_mm=up_mm, allowance_mm=allowance_mm)
    within(allowance, "allowance_mm", 0.0, LARGEST_MM)
    return plain(_length(ed, "ed_mm") + 2.0 * np.hypot(inward, up) + allowance)


def _length(value: Result, field: str) -> Result:
    return within(value, field, 0.0, LARGEST_MM)
