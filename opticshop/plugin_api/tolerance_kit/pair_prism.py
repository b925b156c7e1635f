"""Relative prism of a mounted pair: as measured, or computed from where the optical centres lie.

Prentice: prism (prism dioptres) = displacement (cm) x power (D). With the lens seen from the front, x to the
observer's right and y up, the power matrix of S / C x A is Fxx = S + C sin2 A, Fyy = S + C cos2 A, Fxy = -C
sin A cos A, and the base at a point r from the optical centre is -F r / 10 (r in mm). The right eye's nose
side is +x, the left eye's -x. Definitions, no source needed beyond Prentice's rule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from opticshop.optics.conformity import DecimalPower

from ..tolerances import EyeInspection, InspectionRequest, LensValues, PairInspection
from ..types import Eye

MAX_POWER_DIFFERENCE_DPT = Decimal("1.00")
"""Up to this difference of the two powers along a direction, one displacement measured on the pair is taken
to lie in the lens that makes it worse. Beyond it the displacement of each lens is needed. Project convention,
no source."""

_ZERO = Decimal(0)
_TEN = Decimal(10)


@dataclass(frozen=True, slots=True)
class PrismReading:
    """Relative prism, ordered and found. `mm_to_prism` is set when it was computed from a length (in prism
    dioptres per mm, so that the uncertainty of the length can be carried over); `note` then says how.
    """

    ordered: Decimal
    measured: Decimal
    note: str = ""
    mm_to_prism: Decimal | None = None

    def uncertainty(self, length_mm: Decimal | None) -> Decimal | None:
        """The expanded uncertainty that follows from that of the length, None when the prism was read
        directly."""
        if self.mm_to_prism is None or length_mm is None:
            return None
        return self.mm_to_prism * length_mm


def horizontal_power_dpt(power: DecimalPower) -> Decimal:
    """Power along the horizontal, S + C sin2 A."""
    return _matrix(power)[0]


def vertical_power_dpt(power: DecimalPower) -> Decimal:
    """Power along the vertical, S + C cos2 A."""
    return _matrix(power)[1]


def relative_prism_horizontal(request: InspectionRequest) -> PrismReading | None:
    """Base-in right plus base-in left; None when it was neither measured nor can be computed.

    Preference: prism read at both centration points, then the distance of each optical centre, then the
    distance between them. Power-variation lenses have no visible optical centre, so nothing is computed for
    them.
    """
    right, left = _both(request)
    ordered = (right.ordered.prism_in_dpt or _ZERO) + (left.ordered.prism_in_dpt or _ZERO)
    if right.measured.prism_in_dpt is not None and left.measured.prism_in_dpt is not None:
        return PrismReading(ordered, right.measured.prism_in_dpt + left.measured.prism_in_dpt)
    if request.lens_kind == "power_variation":
        return None
    powers = tuple(horizontal_power_dpt(_power(lens.ordered)) for lens in (right, left))
    steepest = max(abs(power) for power in powers)
    if _nasal_shift(right) is not None and _nasal_shift(left) is not None:
        found = _prism_in_and_up("right", right)[0] + _prism_in_and_up("left", left)[0]
        note = "Prism computed by Prentice's rule from the distance of each optical centre."
        if any(_matrix(_power(lens.ordered))[2] and _rise(lens) is None for lens in (right, left)):
            note += " A height that was not measured is taken to be as ordered."
        return PrismReading(ordered, found, note, steepest / _TEN)
    shift = _distance_shift(request.pair, right, left)
    if shift is None or abs(powers[0] - powers[1]) > MAX_POWER_DIFFERENCE_DPT:
        return None
    found = max((-power * shift / _TEN for power in powers), key=lambda prism: abs(prism - ordered))
    note = _pair_note("distance between the optical centres", powers)
    return PrismReading(ordered, found, note, steepest / _TEN)


def relative_prism_vertical(request: InspectionRequest) -> PrismReading | None:
    """Base-up right minus base-up left; None when it was neither measured nor can be computed.

    Preference as for the horizontal, with the heights of the optical centres or their difference.
    """
    right, left = _both(request)
    ordered = (right.ordered.prism_up_dpt or _ZERO) - (left.ordered.prism_up_dpt or _ZERO)
    if right.measured.prism_up_dpt is not None and left.measured.prism_up_dpt is not None:
        return PrismReading(ordered, right.measured.prism_up_dpt - left.measured.prism_up_dpt)
    if request.lens_kind == "power_variation":
        return None
    powers = tuple(vertical_power_dpt(_power(lens.ordered)) for lens in (right, left))
    steepest = max(abs(power) for power in powers)
    if _rise(right) is not None and _rise(left) is not None:
        found = _prism_in_and_up("right", right)[1] - _prism_in_and_up("left", left)[1]
        note = "Prism computed by Prentice's rule from the height of each optical centre."
        if any(_matrix(_power(lens.ordered))[2] and _nasal_shift(lens) is None for lens in (right, left)):
            note += " A distance that was not measured is taken to be as ordered."
        return PrismReading(ordered, found, note, steepest / _TEN)
    rise = height_difference_error(request)
    if rise is None or abs(powers[0] - powers[1]) > MAX_POWER_DIFFERENCE_DPT:
        return None
    found = max((power * rise / _TEN for power in powers), key=lambda prism: abs(prism - ordered))
    note = _pair_note("height difference of the optical centres", powers)
    return PrismReading(ordered, found, note, steepest / _TEN)


def ordered_centre_distance_mm(request: InspectionRequest) -> Decimal | None:
    """The ordered distance between the centres: as given for the pair, else the sum of both eyes."""
    if request.pair is not None and request.pair.ordered_centre_distance_mm is not None:
        return request.pair.ordered_centre_distance_mm
    right, left = _both(request)
    return _sum(right.ordered.centration_distance_mm, left.ordered.centration_distance_mm)


def measured_centre_distance_mm(request: InspectionRequest) -> Decimal | None:
    """The measured distance between the centres: as given for the pair, else the sum of both eyes."""
    if request.pair is not None and request.pair.measured_centre_distance_mm is not None:
        return request.pair.measured_centre_distance_mm
    right, left = _both(request)
    return _sum(right.measured.centration_distance_mm, left.measured.centration_distance_mm)


def height_difference_error(request: InspectionRequest) -> Decimal | None:
    """Measured minus ordered height difference (right above left positive), in mm; None when not measured.

    Without ordered heights of both eyes, equal heights are taken as ordered.
    """
    right, left = _both(request)
    ordered = _difference(right.ordered.centration_height_mm, left.ordered.centration_height_mm) or _ZERO
    measured = None
    if request.pair is not None:
        measured = request.pair.measured_height_difference_mm
    if measured is None:
        measured = _difference(right.measured.centration_height_mm, left.measured.centration_height_mm)
    return None if measured is None else measured - ordered


def _both(request: InspectionRequest) -> tuple[EyeInspection, EyeInspection]:
    assert request.right is not None
    assert request.left is not None
    return request.right, request.left


def _power(values: LensValues) -> DecimalPower:
    assert values.power is not None
    return values.power


def _matrix(power: DecimalPower) -> tuple[Decimal, Decimal, Decimal]:
    """(Fxx, Fyy, Fxy); exact for spheres and for axes along 90 and 180, else to a millionth of a dioptre."""
    sphere, cylinder, axis = power.sphere_dpt, power.cylinder_dpt, power.axis_deg
    if cylinder == 0 or axis is None:
        return sphere, sphere, _ZERO
    if axis % 90 == 0:
        upright = axis % 180 != 0
        return (sphere + cylinder, sphere, _ZERO) if upright else (sphere, sphere + cylinder, _ZERO)
    angle = math.radians(float(axis))
    sine, cosine = math.sin(angle), math.cos(angle)
    return (
        sphere + _rounded(cylinder, sine * sine),
        sphere + _rounded(cylinder, cosine * cosine),
        -_rounded(cylinder, sine * cosine),
    )


def _rounded(cylinder: Decimal, share: float) -> Decimal:
    return (cylinder * Decimal(repr(share))).quantize(Decimal("0.000001"))


def _prism_in_and_up(eye: Eye, lens: EyeInspection) -> tuple[Decimal, Decimal]:
    """Prism at the ordered centration point, from where the optical centre was found. A coordinate that was
    not measured counts as in place.
    """
    fxx, fyy, fxy = _matrix(_power(lens.ordered))
    outward = _nasal_shift(lens) or _ZERO
    rise = _rise(lens) or _ZERO
    towards_nose = 1 if eye == "right" else -1
    x, y = outward * towards_nose, -rise
    base_x, base_y = -(fxx * x + fxy * y) / _TEN, -(fxy * x + fyy * y) / _TEN
    return base_x * towards_nose, base_y


def _nasal_shift(lens: EyeInspection) -> Decimal | None:
    """How far the optical centre lies outwards of its place; so far does the centration point lie nasally of
    it."""
    return _difference(lens.measured.centration_distance_mm, lens.ordered.centration_distance_mm)


def _rise(lens: EyeInspection) -> Decimal | None:
    return _difference(lens.measured.centration_height_mm, lens.ordered.centration_height_mm)


def _distance_shift(pair: PairInspection | None, right: EyeInspection, left: EyeInspection) -> Decimal | None:
    if pair is None:
        return None
    ordered = pair.ordered_centre_distance_mm
    if ordered is None:
        ordered = _sum(right.ordered.centration_distance_mm, left.ordered.centration_distance_mm)
    return _difference(pair.measured_centre_distance_mm, ordered)


def _pair_note(what: str, powers: tuple[Decimal, ...]) -> str:
    note = f"Prism computed by Prentice's rule from the {what}."
    if powers[0] == powers[1]:
        return note
    return note + " All of it is taken to lie in the lens that makes it worse; measure each lens to know."


def _difference(a: Decimal | None, b: Decimal | None) -> Decimal | None:
    return None if a is None or b is None else a - b


def _sum(a: Decimal | None, b: Decimal | None) -> Decimal | None:
    return None if a is None or b is None else a + b
