"""Near centration, segment position, and the jump of the image at a segment's edge.

Near inset of one eye: i = PD / (1 + w (1/s - F)), w the working distance from the spectacle plane, s the
distance from the spectacle plane to the centre of rotation (about 27 mm), F the distance power in the
horizontal meridian, lengths in metres (Ellerbrock's form; with F = 0 it is the plain geometry PD s / (w +
s)). Lengths here are in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

from ._numeric import LARGEST, Numeric, Result, away_from_pole, numbers, plain, within
from .boxing import decentration_in_mm, decentration_up_mm
from .errors import SingularPower

ROTATION_CENTRE_MM = 27.0
"""Spectacle plane to centre of rotation, about 27 mm."""


def near_inset_mm(
    mono_pd_mm: Numeric,
    working_distance_mm: Numeric,
    power_dpt: Numeric = 0.0,
    rotation_centre_mm: Numeric = ROTATION_CENTRE_MM,
) -> Result:
    """Inset of one eye's near visual point from its distance point.

    Raises `SingularPower` when the power would send the visual axes parallel.
    """
    pd, distance, power, centre = numbers(
        mono_pd_mm=mono_pd_mm,
        working_distance_mm=working_distance_mm,
        power_dpt=power_dpt,
        rotation_centre_mm=rotation_centre_mm,
    )
    within(pd, "mono_pd_mm", 0.0, 100.0)
    within(distance, "working_distance_mm", 1.0, LARGEST)
    within(centre, "rotation_centre_mm", 1.0, 100.0)
    pole = SingularPower("no near point exists at this power and distance", field="power_dpt")
    return plain(pd / away_from_pole(1.0 + distance * (1.0 / centre - power / 1000.0), pole))


def near_pd_mm(
    mono_pd_mm: Numeric,
    working_distance_mm: Numeric,
    power_dpt: Numeric = 0.0,
    rotation_centre_mm: Numeric = ROTATION_CENTRE_MM,
) -> Result:
    """Monocular near PD: distance PD minus `near_inset_mm`."""
    pd, inset = numbers(
        mono_pd_mm=mono_pd_mm,
        inset_mm=near_inset_mm(mono_pd_mm, working_distance_mm, power_dpt, rotation_centre_mm),
    )
    return plain(pd - inset)


@dataclass(frozen=True, slots=True)
class SegmentPlacement:
    """Where a segment goes, per eye, mm: insets positive nasally, raise positive above the boxed-centre line."""

    distance_inset_mm: Result
    segment_inset_mm: Result
    total_inset_mm: Result
    segment_raise_mm: Result


def segment_placement(
    a_mm: Numeric,
    dbl_mm: Numeric,
    b_mm: Numeric,
    mono_pd_mm: Numeric,
    mono_near_pd_mm: Numeric,
    segment_height_mm: Numeric,
) -> SegmentPlacement:
    """Distance inset (A + DBL)/2 - PD, segment inset PD - near PD, their sum, and height - B/2."""
    pd, near = numbers(mono_pd_mm=mono_pd_mm, mono_near_pd_mm=mono_near_pd_mm)
    distance = decentration_in_mm(a_mm, dbl_mm, mono_pd_mm)
    segment = within(pd, "mono_pd_mm", 0.0, 100.0) - within(near, "mono_near_pd_mm", 0.0, 100.0)
    return SegmentPlacement(
        plain(distance), plain(segment), plain(distance + segment), decentration_up_mm(segment_height_mm, b_mm)
    )


def image_jump(addition_dpt: Numeric, top_to_centre_mm: Numeric) -> Result:
    """Jump in prism dioptres at a segment's upper edge: addition x distance to the segment's centre, base down.

    The distance runs from the upper edge down to the segment's optical centre; negative when the centre
    lies above.
    """
    addition, distance = numbers(addition_dpt=addition_dpt, top_to_centre_mm=top_to_centre_mm)
    return plain(addition * distance / 10.0)
