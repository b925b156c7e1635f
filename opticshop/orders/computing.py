"""From rows to optics and back: what the two lenses of an order must be, whether they can be cut, what they will weigh.

The order of things: the prescribed power for the purpose -> exact at the worn vertex distance -> rounded to the step
the product is made in (that is what is supplied and judged) -> centration, cut-out, thickness of that lens.
Decimals in, Decimals out where something is ordered; floats inside; this module is where the two meet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, Literal

from opticshop import optics
from opticshop.catalogue.models import Frame, LensProduct, LensSurface
from opticshop.catalogue.selectors import surface_for
from opticshop.core.errors import Conflict, Invalid
from opticshop.plugin_api import LensKind, LensValues
from opticshop.prescriptions.computing import power_of, prism_of
from opticshop.prescriptions.models import Measurement, PrescribedEye, Prescription
from opticshop.prescriptions.written import WrittenEye, as_written

Purpose = Literal["distance", "near"]

#: Changes when a figure below would come out differently, so that a stored result can be repeated.
VERSION = "1"
#: Kept free all round when cutting; with it the rule of thumb's allowance on the diameter (common practice: 2 mm).
CUTTING_MARGIN_MM = 1.0
BLANK_ALLOWANCE_MM = 2.0
#: Working distance for a near PD that was not measured (common practice, no source).
WORKING_DISTANCE_MM = 400.0
_NOT_FOR_DISTANCE = (Prescription.Purpose.NEAR, Prescription.Purpose.INTERMEDIATE)
_KINDS: tuple[LensKind, ...] = ("power_variation", "multifocal", "single_vision")
_EYES = {"right": optics.Eye.RIGHT, "left": optics.Eye.LEFT}
_NAMES = {value: name for name, value in _EYES.items()}


class CannotBeMade(Conflict):
    """No lens with this power, prism, surface and place of its optical centre can exist; a lens made to order might."""

    code = "orders.cannot_be_made"
    title = "This lens cannot be made"


class PurposeNotPrescribed(Conflict):
    """A prescription written for near or intermediate use says nothing of the distance."""

    code = "orders.purpose_not_prescribed"
    title = "The prescription is for another purpose"


class EyeNotPrescribed(Invalid):
    """A lens is ordered for an eye for which the prescription states none."""

    code = "orders.eye_not_prescribed"
    title = "The prescription has no lens for this eye"


class PowerOutOfRange(Conflict):
    """The lens product is not made in the power that is needed; the range is given."""

    code = "orders.power_out_of_range"
    title = "This lens is not made in this power"


class AdditionMissing(Conflict):
    """The purpose or the kind of lens needs an addition that the prescription does not state."""

    code = "orders.addition_missing"
    title = "The prescription states no addition"


class AdditionOutOfRange(Conflict):
    """The lens product is not made with this addition; the range is given."""

    code = "orders.addition_out_of_range"
    title = "This lens is not made with this addition"


class HeightMissing(Conflict):
    """A multifocal or power-variation lens needs fitting heights, measured with this frame on the face."""

    code = "orders.height_missing"
    title = "Fitting heights are missing"


class HeightsForOtherFrame(Conflict):
    """Heights, tilt and wrap belong to the frame that was worn when they were measured."""

    code = "orders.heights_for_other_frame"
    title = "These heights were measured with another frame"


class HeightBelowMinimum(Conflict):
    """The fitting point lies lower than the lens design allows."""

    code = "orders.height_below_minimum"
    title = "The fitting height is too low for this lens"


class DoesNotCutOut(Conflict):
    """The outline, decentred and with its margin, does not lie within the blank: this pair cannot be made."""

    code = "orders.does_not_cut_out"
    title = "The lens is too small for this frame and centration"


@dataclass(frozen=True, slots=True)
class ComputedLens:
    """One eye: ``supplied`` are the columns of OrderedLens, ``record`` the figures for the answer and the archive."""

    supplied: dict[str, Any]
    record: dict[str, Any]
    result: optics.EyeResult

    @property
    def values(self) -> LensValues:
        """The ordered values as tolerance standards and plugins read them."""
        row = self.supplied
        return LensValues(
            sphere_dpt=row["sphere_dpt"],
            cylinder_dpt=row["cylinder_dpt"],
            axis_deg=None if row["axis_deg"] is None else Decimal(row["axis_deg"]),
            add_dpt=row["addition_dpt"],
            prism_in_dpt=row["prism_in_dpt"],
            prism_up_dpt=row["prism_up_dpt"],
            centration_distance_mm=row["centration_distance_mm"],
            centration_height_mm=row["centration_height_mm"],
        )


@dataclass(frozen=True, slots=True)
class Computed:
    lenses: dict[str, ComputedLens]
    record: dict[str, Any]
    warnings: list[dict[str, Any]] = field(default_factory=list)

    def check_cuts_out(self) -> None:
        """Raise DoesNotCutOut unless every lens can be cut from its blank."""
        for eye, lens in self.lenses.items():
            result = lens.result
            if result.cuts_out:
                continue
            record = lens.record
            raise DoesNotCutOut(
                f"The {eye} lens needs a blank of {record['minimum_blank_exact_mm']} mm where the optical centre must "
                f"lie; this one has {record['blank_diameter_mm']} mm and is {-record['clearance_mm']} mm short.",
                field=f"lenses/{eye}",
                allowed={"minimum_blank_mm": record["minimum_blank_exact_mm"]},
                best_shift=record["best_shift"],
            )


def strictest_kind(kinds: Iterable[str]) -> LensKind:
    """The kind by which a pair is described: power-variation before multifocal before single vision."""
    present = set(kinds)
    return next(kind for kind in _KINDS if kind in present)


def compute(
    *,
    prescription: Prescription,
    measurement: Measurement,
    frame: Frame,
    lenses: Mapping[str, LensProduct],
    purpose: Purpose,
) -> Computed:
    """Compute a pair (or one lens). Raises the refusals above."""
    if purpose == "distance" and prescription.purpose in _NOT_FOR_DISTANCE:
        raise PurposeNotPrescribed(
            f"The prescription is for {prescription.purpose} use.", field="purpose", allowed=["near"]
        )
    written = as_written(prescription)
    prescribed = {"right": written.right, "left": written.left}
    _check_frame(measurement, frame)
    assumptions: list[str] = []
    boxed = optics.FrameInput(
        boxed=optics.BoxedFrame(
            float(frame.box_width_mm),
            float(frame.box_height_mm),
            float(frame.bridge_mm),
            float(frame.effective_diameter_mm),
        ),
        panto_deg=_float(measurement.pantoscopic_deg),
        wrap_deg=_float(measurement.wrap_deg),
    )
    prepared: dict[str, _Prepared] = {}
    for eye in (eye for eye in _EYES if eye in lenses):
        if prescribed[eye].entry == PrescribedEye.Entry.OCCLUDED:
            raise EyeNotPrescribed(f"The prescription states no lens for the {eye} eye.", field=f"lenses/{eye}")
        row = _balanced(eye, prescribed, assumptions)
        prepared[eye] = _prepare(eye, row, prescription, measurement, frame, lenses[eye], purpose, assumptions)
    binocular = _float(measurement.pd_mm)
    for eye, ready in prepared.items():
        _check_can_be_made(eye, ready, boxed, binocular)
    if len(prepared) == 2:
        right, left = prepared["right"], prepared["left"]
        pair = optics.compute_pair(
            right.eye_input, left.eye_input, boxed, right.lens_input, left.lens_input, binocular_pd_mm=binocular
        )
        results, notes = {"right": pair.right, "left": pair.left}, pair.warnings
        relative = pair.induced_prism
        extra = {
            "anisometropia_dpt": round(pair.anisometropia_dpt, 3),
            "reading_imbalance_dpt": round(pair.reading.slab_pdpt, 3),
            "size_difference_percent": _rounded(pair.size_difference_percent, 2),
        }
    else:
        [(eye, only)] = prepared.items()
        result = optics.compute_eye(only.eye_input, boxed, only.lens_input, binocular_pd_mm=binocular)
        results, notes, extra = {eye: result}, result.warnings, {}
        right_prism = result.induced_prism if eye == "right" else optics.NO_PRISM
        relative = optics.relative_prism(right_prism, result.induced_prism if eye == "left" else optics.NO_PRISM)
    computed = {
        eye: ComputedLens(ready.columns, _eye_record(ready, lenses[eye], results[eye]), results[eye])
        for eye, ready in prepared.items()
    }
    distances = [ready.columns["centration_distance_mm"] for ready in prepared.values()]
    record = {
        **{eye: lens.record for eye, lens in computed.items()},
        **extra,
        "centre_distance_mm": float(sum(distances)) if len(distances) == 2 else None,
        "relative_prism_in_dpt": round(relative.base_in_pdpt, 3),
        "relative_prism_up_dpt": round(relative.right_up_pdpt, 3),
        "assumptions": assumptions,
        "cutting_margin_mm": CUTTING_MARGIN_MM,
        "version": VERSION,
    }
    warnings = [
        {"code": str(note.code), "detail": note.message, "eye": None if note.eye is None else _NAMES[note.eye]}
        for note in notes
    ]
    return Computed(computed, record, warnings)


@dataclass(frozen=True, slots=True)
class _Prepared:
    """One eye ready for the optics: what will be supplied, and how it came about."""

    columns: dict[str, Any]
    wanted: optics.SpheroCylinder
    compensated: optics.SpheroCylinder
    eye_input: optics.EyeInput
    lens_input: optics.LensInput


def _check_frame(measurement: Measurement, frame: Frame) -> None:
    if measurement.frame_id is not None and measurement.frame_id != frame.id:
        raise HeightsForOtherFrame(
            "Change the frame and every height, tilt and wrap is void; measure again with this frame on the face.",
            field="measurement",
            allowed="measurements taken with the ordered frame",
        )


def _prepare(
    eye: str,
    row: WrittenEye,
    prescription: Prescription,
    measurement: Measurement,
    frame: Frame,
    product: LensProduct,
    purpose: Purpose,
    assumptions: list[str],
) -> _Prepared:
    as_written_for_near = prescription.purpose in _NOT_FOR_DISTANCE
    wanted = _wanted_power(eye, row, product, purpose, as_written_for_near)
    tested, worn = _float(prescription.vertex_distance_mm), _float(measurement.vertex_distance_mm)
    known = tested is not None and worn is not None
    compensated = wanted.at_vertex(tested, worn) if tested is not None and worn is not None else wanted
    if not known:
        assumptions.append(f"{eye}: worn at the vertex distance of the test; not both were measured")
    supplied = _supplied_power(eye, compensated, product)
    distance_mm, measured_distance = _distance(eye, measurement, _is_near_pair(purpose, product), assumptions)
    height_mm, measured_height = _height(eye, measurement, frame, product, assumptions)
    prism = prism_of(eye, row.prisms)
    columns = {
        "eye": eye,
        **supplied,
        "addition_dpt": row.addition_dpt if product.kind != LensProduct.Kind.SINGLE_VISION else None,
        "prism_in_dpt": _cents(prism.base_in_pdpt(_EYES[eye])),
        "prism_up_dpt": _cents(prism.y_pdpt),
        "centration_distance_mm": distance_mm,
        "centration_height_mm": height_mm,
    }
    eye_input = optics.EyeInput(
        eye=_EYES[eye],
        power=optics.SpheroCylinder(
            float(supplied["sphere_dpt"]), float(supplied["cylinder_dpt"]), float(supplied["axis_deg"] or 180)
        ),
        prism=prism,
        vertex_tested_mm=worn if known else None,  # the power to supply is already the worn one
        vertex_worn_mm=worn if known else None,
        mono_pd_mm=float(distance_mm) if measured_distance else None,
        height_mm=float(height_mm) if measured_height and not _is_segment(product, eye, assumptions) else None,
    )
    lens_input = _lens_input(product, surface_for(product, supplied["sphere_dpt"]), prism)
    return _Prepared(columns, wanted, compensated, eye_input, lens_input)


def _balanced(eye: str, rows: Mapping[str, WrittenEye], assumptions: list[str]) -> WrittenEye:
    """The eye as written, or, for a balance lens without a power, with the mean power of the other eye."""
    row, fellow = rows[eye], rows["left" if eye == "right" else "right"]
    if row.sphere_dpt is not None:
        return row
    if fellow.sphere_dpt is None:
        raise EyeNotPrescribed(f"No power can be found for the {eye} balance lens.", field=f"lenses/{eye}")
    assumptions.append(f"{eye}: balance lens with the mean power of the other eye")
    mean = fellow.sphere_dpt + fellow.cylinder_dpt / 2
    return replace(row, sphere_dpt=mean, addition_dpt=fellow.addition_dpt)


def _check_can_be_made(eye: str, ready: _Prepared, boxed: optics.FrameInput, binocular: float | None) -> None:
    try:
        optics.compute_eye(ready.eye_input, boxed, ready.lens_input, binocular_pd_mm=binocular)
    except optics.OpticsError as error:
        prism = "" if ready.eye_input.prism.is_zero else " Prism in a finished lens comes from decentring it."
        raise CannotBeMade(
            f"The {eye} lens: {error.message}.{prism}",
            field=f"lenses/{eye}",
            allowed="a lens made to order, another product, or another frame",
        ) from error


def _is_segment(product: LensProduct, eye: str, assumptions: list[str]) -> bool:
    """The height of a multifocal is that of its segment; where its optical centre lies, the maker knows."""
    if product.kind != LensProduct.Kind.MULTIFOCAL:
        return False
    assumptions.append(f"{eye}: the optical centre of the distance portion is taken on the datum line; ask the maker")
    return True


def _is_near_pair(purpose: Purpose, product: LensProduct) -> bool:
    return purpose == "near" and product.kind == LensProduct.Kind.SINGLE_VISION


def _wanted_power(
    eye: str, row: WrittenEye, product: LensProduct, purpose: Purpose, as_written_for_near: bool
) -> optics.SpheroCylinder:
    """The prescribed power for the purpose, minus-cylinder form. Near single vision carries the addition itself,
    unless the prescription was written for near and holds it already."""
    power = power_of(row)
    single = product.kind == LensProduct.Kind.SINGLE_VISION
    if as_written_for_near and single:
        return power.to_minus_cylinder()
    needs_addition = (purpose == "near" and single) or not single
    if needs_addition and row.addition_dpt is None:
        raise AdditionMissing(
            f"{product} for {purpose} needs an addition; none is stated for the {eye} eye.", field=f"lenses/{eye}"
        )
    if not single:
        _check_addition(eye, row.addition_dpt or Decimal(0), product)
    if purpose == "near" and single:
        power = power + optics.SpheroCylinder(float(row.addition_dpt or 0))
    return power.to_minus_cylinder()


def _check_addition(eye: str, addition: Decimal, product: LensProduct) -> None:
    low, high = product.addition_min_dpt, product.addition_max_dpt
    if (low is not None and addition < low) or (high is not None and addition > high):
        raise AdditionOutOfRange(
            f"{product} is made with additions {low} to {high}; the {eye} eye needs {addition}.",
            field=f"lenses/{eye}",
            allowed={"from": str(low), "to": str(high)},
        )


def _supplied_power(eye: str, power: optics.SpheroCylinder, product: LensProduct) -> dict[str, Any]:
    """The nearest power the product is made in, with a whole axis. Raises PowerOutOfRange outside its range."""
    sphere, cylinder = _stepped(power.sphere_dpt, product), _stepped(power.cylinder_dpt, product)
    in_range = product.sphere_min_dpt <= sphere <= product.sphere_max_dpt
    if not in_range or -cylinder > product.cylinder_max_dpt:
        raise PowerOutOfRange(
            f"{product} is made from {product.sphere_min_dpt:+} to {product.sphere_max_dpt:+} with cylinders to "
            f"-{product.cylinder_max_dpt}; the {eye} eye needs {sphere:+}/{cylinder:+}.",
            field=f"lenses/{eye}",
            allowed={
                "sphere": [str(product.sphere_min_dpt), str(product.sphere_max_dpt)],
                "cylinder": ["0.00", str(-product.cylinder_max_dpt)],
            },
        )
    axis = None if cylinder == 0 else round(power.axis_deg) % 180 or 180
    return {"sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}


def _stepped(value: float, product: LensProduct) -> Decimal:
    steps = (_exact(value) / product.power_step_dpt).quantize(Decimal(1), rounding=ROUND_HALF_EVEN)
    return (steps * product.power_step_dpt).quantize(Decimal("0.01")) + 0  # no negative zero


def _height(
    eye: str, measurement: Measurement, frame: Frame, product: LensProduct, assumptions: list[str]
) -> tuple[Decimal, bool]:
    """(height of the centration point above the lowest boxed tangent, whether it was measured)."""
    height: Decimal | None = measurement.height_right_mm if eye == "right" else measurement.height_left_mm
    if height is None:
        if product.kind != LensProduct.Kind.SINGLE_VISION:
            raise HeightMissing(
                f"{product} needs the height of the {eye} fitting point, measured with this frame.",
                field="measurement",
                allowed=f"height_{eye}_mm with the frame named",
            )
        assumptions.append(f"{eye}: no height was measured; the optical centre is placed on the datum line")
        return (frame.box_height_mm / 2).quantize(Decimal("0.1")), False
    minimum = product.minimum_fitting_height_mm
    if minimum is not None and height < minimum:
        raise HeightBelowMinimum(
            f"{product} needs at least {minimum} mm below its fitting point; the {eye} eye has {height} mm.",
            field="measurement",
            allowed={"minimum_mm": str(minimum)},
        )
    return height, True


def _distance(eye: str, measurement: Measurement, near: bool, assumptions: list[str]) -> tuple[Decimal, bool]:
    """(monocular distance of the centration point, whether it was measured for this eye)."""
    far: Decimal | None = measurement.pd_right_mm if eye == "right" else measurement.pd_left_mm
    measured = far is not None
    if far is None:
        far = (measurement.pd_mm / 2).quantize(Decimal("0.1"))
        assumptions.append(f"{eye}: half the binocular PD is used; monocular PDs were not measured")
    if not near:
        return far, measured
    close: Decimal | None = measurement.near_pd_right_mm if eye == "right" else measurement.near_pd_left_mm
    if close is None and measurement.near_pd_mm is not None:
        # Both eyes turn in alike: what the far PD of an eye keeps of its asymmetry, the near one keeps too.
        close = (far - (measurement.pd_mm - measurement.near_pd_mm) / 2).quantize(Decimal("0.1"))
        assumptions.append(f"{eye}: near PD from the binocular one, each eye turned in by half the difference")
    if close is None:
        # The optical centre stands where the eye looks through, so the lens does not deflect it: plain geometry.
        close = _exact(optics.near_pd_mm(float(far), WORKING_DISTANCE_MM)).quantize(Decimal("0.1"))
        assumptions.append(f"{eye}: near PD computed for {WORKING_DISTANCE_MM:g} mm from the far PD")
    return close, True


def _lens_input(product: LensProduct, surface: LensSurface, prism: optics.Prism) -> optics.LensInput:
    finished = product.supply == LensProduct.Supply.FINISHED
    return optics.LensInput(
        index=float(product.index),
        abbe=float(product.abbe),
        density_g_cm3=float(product.density_g_cm3),
        diameter_mm=float(product.diameter_mm),
        usable_diameter_mm=float(product.usable_diameter_mm),
        front_power_dpt=float(surface.front_power_dpt),
        minimum_centre_mm=float(surface.centre_thickness_mm),
        minimum_edge_mm=float(surface.edge_thickness_mm),
        cutting_margin_mm=CUTTING_MARGIN_MM,
        blank_allowance_mm=BLANK_ALLOWANCE_MM,
        prism_by_decentration=finished and not prism.is_zero,
    )


def _eye_record(ready: _Prepared, product: LensProduct, result: optics.EyeResult) -> dict[str, Any]:
    compensated = ready.compensated
    centre, shift, induced = result.optical_centre, result.shift_to_fit, result.induced_prism
    undecentred = optics.prism_of_decentration(
        result.lens_power, -result.centration.x_mm(result.eye), -result.centration.up_mm
    )
    return {
        "prescribed": _written(ready.wanted),
        "sphere_dpt": round(compensated.sphere_dpt, 4),
        "cylinder_dpt": round(compensated.cylinder_dpt, 4),
        "axis_deg": None if compensated.is_spherical else round(compensated.axis_deg, 2),
        "decentration_in_mm": round(centre.in_mm, 3),
        "decentration_up_mm": round(centre.up_mm, 3),
        "effective_diameter_mm": round(result.effective_diameter_mm, 3),
        "minimum_blank_rule_mm": round(result.minimum_blank_rule_mm, 2),
        "minimum_blank_exact_mm": round(result.minimum_blank_exact_mm, 2),
        "blank_diameter_mm": float(product.usable_diameter_mm),
        "cuts_out": result.cuts_out,
        "clearance_mm": round(result.clearance_mm, 2),
        "best_shift": None if shift is None else {"in_mm": round(shift.in_mm, 2), "up_mm": round(shift.up_mm, 2)},
        "centre_thickness_mm": round(result.centre_thickness_mm, 2),
        "edge_thinnest_mm": round(result.thinnest_edge_mm, 2),
        "edge_thickest_mm": round(result.thickest_edge_mm, 2),
        "weight_g": round(result.weight_g, 2),
        "prism_in_dpt": round(induced.base_in_pdpt(result.eye), 3),
        "prism_up_dpt": round(induced.y_pdpt, 3),
        "prism_without_decentration_in_dpt": round(undecentred.base_in_pdpt(result.eye), 3),
        "prism_without_decentration_up_dpt": round(undecentred.y_pdpt, 3),
        "chromatic_dpt": round(result.chromatic_pdpt, 3),
        "outline_exponent": None if result.assumed_exponent is None else round(result.assumed_exponent, 4),
        "front_power_dpt": round(result.lens.front_power_dpt, 3),
        "product": product.sku,
    }


def _written(power: optics.SpheroCylinder) -> str:
    if power.is_spherical:
        return f"{power.sphere_dpt:+.2f} DS"
    return f"{power.sphere_dpt:+.2f}/{power.cylinder_dpt:+.2f} x {round(power.axis_deg)}"


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _exact(value: float) -> Decimal:
    """A float as the Decimal a person would write, good to a millionth; hides the noise of binary arithmetic."""
    return Decimal(repr(round(value, 6)))


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _cents(value: float) -> Decimal:
    return _exact(value).quantize(Decimal("0.01")) + 0
