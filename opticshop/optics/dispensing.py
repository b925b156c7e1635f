"""Everything an order needs to know about its two lenses, from prescription, measurements, frame and blank.

`compute_eye` and `compute_pair` put the other modules together and add warnings; they round nothing and
decide nothing. A person qualified for it checks prescription and measurements.
"""

from __future__ import annotations

from ._numeric import scalar
from .boxing import (
    Decentration,
    decentration_in_binocular_mm,
    decentration_in_mm,
    decentration_up_mm,
    minimum_blank_mm,
)
from .chromatic import transverse_chromatic_pdpt
from .cutout import Blank, CutOut, cut_out_for_eye
from .dispensing_types import (
    DispensingLimits,
    DispensingWarning,
    EyeInput,
    EyeResult,
    FrameInput,
    LensInput,
    PairResult,
    WarningCode,
)
from .errors import MissingMeasurement, OutOfRange
from .eyes import Eye
from .magnification import PUPIL_BEHIND_VERTEX_MM, size_difference_percent, spectacle_magnification
from .outline import Outline, superellipse_exponent
from .prentice import decentration_of_prism, prism_at, prism_of_decentration
from .prism import NO_PRISM, relative_prism
from .reading import reading_imbalance
from .sphero_cylinder import SpheroCylinder
from .thickness import edge_profile, lens_for_outline
from .tilt import compensated_for_tilt, effective_tilted_power
from .weight import shaped_volume_mm3, weight_g

DEFAULT_LIMITS = DispensingLimits()


def compute_eye(
    eye_input: EyeInput,
    frame: FrameInput,
    lens: LensInput,
    *,
    binocular_pd_mm: float | None = None,
    limits: DispensingLimits = DEFAULT_LIMITS,
) -> EyeResult:
    """Powers, decentration, cut-out, thickness, weight and induced prism of one lens.

    `binocular_pd_mm` is used, halved, only when the eye has no monocular PD; without either,
    `MissingMeasurement`. Raises any `OpticsError` when no such lens exists (`SingularPower`,
    `ImpossibleThickness`, ...).
    """
    eye = eye_input.eye
    notes: list[DispensingWarning] = []
    worn = _power_at_worn_vertex(eye_input, limits, notes)
    to_order, residual = _tilt(worn, eye, frame, lens, limits, notes)
    power = to_order if lens.compensated else worn
    outline, exponent, ed = _outline(eye, frame, limits, notes)
    centration = _centration(eye_input, frame, binocular_pd_mm, power, limits, notes)
    shift = Decentration(eye_input.centre_shift_in_mm, eye_input.centre_shift_up_mm)
    centre = _moved(centration, shift)
    ground_prism = eye_input.prism
    if lens.prism_by_decentration and not eye_input.prism.is_zero:
        x, y = decentration_of_prism(power, eye_input.prism)
        centre = _moved(centre, Decentration(x * eye.nasal_sign, y))
        ground_prism = NO_PRISM

    cut = cut_out_for_eye(outline, _blank(eye, lens), eye, centre, lens.cutting_margin_mm)
    to_fit = None if cut.shift is None else cut.shift.decentration(eye)
    _note_cut(cut, to_fit, eye, notes)

    place = {"centre_x_mm": centre.x_mm(eye), "centre_y_mm": centre.up_mm}
    made = lens_for_outline(
        power,
        outline,
        front_power_dpt=lens.front_power_dpt,
        index=lens.index,
        minimum_centre_mm=lens.minimum_centre_mm,
        minimum_edge_mm=lens.minimum_edge_mm,
        prism=ground_prism,
        **place,
    )
    edge = edge_profile(made, outline, **place)
    sideways = prism_at(power, limits.gaze_mm, 0.0).magnitude_pdpt
    shifted = None if to_fit is None else _moved(shift, to_fit)
    return EyeResult(
        eye=eye,
        power_worn=worn,
        power_to_order=to_order,
        lens_power=power,
        tilt_residual=residual,
        centration=centration,
        optical_centre=centre,
        outline=outline,
        assumed_exponent=exponent,
        effective_diameter_mm=ed,
        minimum_blank_rule_mm=minimum_blank_mm(ed, centre.in_mm, centre.up_mm, lens.blank_allowance_mm),
        minimum_blank_exact_mm=cut.required_diameter_mm,
        cut_out=cut,
        shift_to_fit=to_fit,
        induced_prism=prism_of_decentration(power, shift.x_mm(eye), shift.up_mm),
        induced_if_shifted=(
            None if shifted is None else prism_of_decentration(power, shifted.x_mm(eye), shifted.up_mm)
        ),
        lens=made,
        centre_thickness_mm=made.centre_thickness_mm,
        thinnest_edge_mm=edge.thinnest_mm,
        thickest_edge_mm=edge.thickest_mm,
        weight_g=weight_g(shaped_volume_mm3(made, outline, **place), lens.density_g_cm3),
        chromatic_pdpt=transverse_chromatic_pdpt(sideways, lens.abbe),
        warnings=tuple(notes),
    )


def compute_pair(
    right: EyeInput,
    left: EyeInput,
    frame: FrameInput,
    right_lens: LensInput,
    left_lens: LensInput,
    *,
    binocular_pd_mm: float | None = None,
    limits: DispensingLimits = DEFAULT_LIMITS,
) -> PairResult:
    """Both lenses, their relative prisms, anisometropia and the imbalance at the reading level."""
    if (right.eye, left.eye) != (Eye.RIGHT, Eye.LEFT):
        raise OutOfRange("a pair is one right and one left eye", field="eye")
    r = compute_eye(right, frame, right_lens, binocular_pd_mm=binocular_pd_mm, limits=limits)
    s = compute_eye(left, frame, left_lens, binocular_pd_mm=binocular_pd_mm, limits=limits)
    reading = reading_imbalance(r.lens_power, s.lens_power, limits.reading_drop_mm)
    anisometropia = (r.lens_power - s.lens_power).highest_absolute_power_dpt
    notes = [*r.warnings, *s.warnings]
    if anisometropia > limits.anisometropia_dpt and reading.slab_pdpt >= limits.slab_pdpt:
        message = (
            f"The eyes differ by {anisometropia:.2f} D: vertical imbalance of {reading.slab_pdpt:.2f} prism dioptres "
            f"{limits.reading_drop_mm:g} mm below the optical centres"
        )
        notes.append(DispensingWarning(WarningCode.READING_IMBALANCE, message))
    return PairResult(
        right=r,
        left=s,
        prescribed_prism=relative_prism(right.prism, left.prism),
        induced_prism=relative_prism(r.induced_prism, s.induced_prism),
        induced_if_shifted=relative_prism(
            r.induced_if_shifted or r.induced_prism, s.induced_if_shifted or s.induced_prism
        ),
        anisometropia_dpt=anisometropia,
        reading=reading,
        size_difference_percent=_size_difference(right, r, left, s),
        warnings=tuple(notes),
    )


def _power_at_worn_vertex(
    eye_input: EyeInput, limits: DispensingLimits, notes: list[DispensingWarning]
) -> SpheroCylinder:
    tested, worn = eye_input.vertex_tested_mm, eye_input.vertex_worn_mm
    if tested is not None and worn is not None:
        return eye_input.power.at_vertex(tested, worn)
    if eye_input.power.highest_absolute_power_dpt >= limits.vertex_matters_dpt:
        message = (
            f"From {limits.vertex_matters_dpt:g} D the vertex distance matters; it was not measured on both occasions"
        )
        notes.append(DispensingWarning(WarningCode.VERTEX_UNKNOWN, message, eye_input.eye))
    return eye_input.power


def _tilt(
    worn: SpheroCylinder,
    eye: Eye,
    frame: FrameInput,
    lens: LensInput,
    limits: DispensingLimits,
    notes: list[DispensingWarning],
) -> tuple[SpheroCylinder, SpheroCylinder]:
    """(power to order, what tilt adds to an uncompensated lens)."""
    panto, wrap = frame.panto_deg or 0.0, frame.wrap_deg or 0.0
    to_order = compensated_for_tilt(worn, panto_deg=panto, wrap_deg=wrap, index=lens.index, eye=eye)
    acting = effective_tilted_power(*worn.triple, panto_deg=panto, wrap_deg=wrap, index=lens.index, eye=eye)
    residual = SpheroCylinder(*acting) - worn
    if abs(wrap) >= limits.strong_wrap_deg and not lens.compensated:
        message = (
            f"A face-form angle of {wrap:g} degrees changes the power by up to "
            f"{residual.highest_absolute_power_dpt:.2f} D unless the lens is compensated"
        )
        notes.append(DispensingWarning(WarningCode.WRAP_UNCOMPENSATED, message, eye))
    return to_order, residual


def _outline(
    eye: Eye, frame: FrameInput, limits: DispensingLimits, notes: list[DispensingWarning]
) -> tuple[Outline, float | None, float]:
    """(outline of this eye, exponent when it is assumed, effective diameter)."""
    boxed = frame.boxed
    if frame.outline is not None:
        outline = frame.outline if eye is Eye.RIGHT else frame.outline.mirrored()
        apart = max(abs(outline.a_mm - boxed.a_mm), abs(outline.b_mm - boxed.b_mm))
        if apart > limits.outline_mismatch_mm:
            message = f"The traced outline and the boxed size differ by {apart:.1f} mm"
            notes.append(DispensingWarning(WarningCode.OUTLINE_DIFFERS, message, eye))
        return outline, None, outline.effective_diameter_mm
    if boxed.ed_mm is None:
        exponent = scalar(limits.assumed_exponent, "assumed_exponent", 2.0, 200.0)
        message = f"The effective diameter is unknown; the shape is taken as a superellipse of exponent {exponent:g}"
        notes.append(DispensingWarning(WarningCode.ED_UNKNOWN, message, eye))
    else:
        exponent = superellipse_exponent(boxed.a_mm, boxed.b_mm, boxed.ed_mm)
        message = f"Without a trace the shape is taken as the superellipse of this size (exponent {exponent:.2f})"
        notes.append(DispensingWarning(WarningCode.OUTLINE_ASSUMED, message, eye))
    outline = Outline.superellipse(boxed.a_mm, boxed.b_mm, exponent)
    return outline, exponent, boxed.ed_mm if boxed.ed_mm is not None else outline.effective_diameter_mm


def _centration(
    eye_input: EyeInput,
    frame: FrameInput,
    binocular_pd_mm: float | None,
    power: SpheroCylinder,
    limits: DispensingLimits,
    notes: list[DispensingWarning],
) -> Decentration:
    boxed, eye = frame.boxed, eye_input.eye
    if eye_input.mono_pd_mm is not None:
        inward = decentration_in_mm(boxed.a_mm, boxed.dbl_mm, eye_input.mono_pd_mm)
    elif binocular_pd_mm is not None:
        pd = scalar(binocular_pd_mm, "binocular_pd_mm", 20.0, 120.0)
        inward = decentration_in_binocular_mm(boxed.a_mm, boxed.dbl_mm, pd)
        if power.highest_absolute_power_dpt >= limits.mono_pd_matters_dpt:
            message = f"From {limits.mono_pd_matters_dpt:g} D a monocular PD is wanted; only the binocular one is known"
            notes.append(DispensingWarning(WarningCode.PD_BINOCULAR_ONLY, message, eye))
    else:
        raise MissingMeasurement("neither a monocular nor a binocular PD is known", field="mono_pd_mm")
    if eye_input.height_mm is None:
        message = "No height was measured; the optical centre is placed on the boxed-centre line"
        notes.append(DispensingWarning(WarningCode.HEIGHT_ASSUMED, message, eye))
        return Decentration(inward, 0.0)
    return Decentration(inward, decentration_up_mm(eye_input.height_mm, boxed.b_mm))


def _blank(eye: Eye, lens: LensInput) -> Blank:
    nasal = eye.nasal_sign
    return Blank(
        diameter_mm=lens.diameter_mm,
        centre_x_mm=lens.blank_in_mm * nasal,
        centre_y_mm=lens.blank_up_mm,
        usable_diameter_mm=lens.usable_diameter_mm,
        usable_x_mm=None if lens.usable_in_mm is None else lens.usable_in_mm * nasal,
        usable_y_mm=lens.usable_up_mm,
    )


def _note_cut(cut: CutOut, to_fit: Decentration | None, eye: Eye, notes: list[DispensingWarning]) -> None:
    if cut.fits:
        return
    short = f"The blank is {-cut.clearance_mm:.2f} mm short at its worst point"
    if to_fit is None:
        message = f"{short}; no placement of this blank holds the outline ({cut.smallest_diameter_mm:.1f} mm needed)"
        notes.append(DispensingWarning(WarningCode.BLANK_TOO_SMALL, message, eye))
        return
    message = f"{short}; it fits with the optical centre {to_fit.distance_mm:.2f} mm off the centration point"
    notes.append(DispensingWarning(WarningCode.BLANK_FITS_SHIFTED, message, eye))


def _size_difference(right: EyeInput, right_result: EyeResult, left: EyeInput, left_result: EyeResult) -> float | None:
    if right.vertex_worn_mm is None or left.vertex_worn_mm is None:
        return None
    totals = [
        spectacle_magnification(
            result.lens.front_power_dpt,
            result.lens_power.spherical_equivalent_dpt,
            result.centre_thickness_mm,
            result.lens.index,
            vertex + PUPIL_BEHIND_VERTEX_MM,
        ).total
        for result, vertex in ((right_result, right.vertex_worn_mm), (left_result, left.vertex_worn_mm))
    ]
    return float(size_difference_percent(*totals))


def _moved(point: Decentration, by: Decentration) -> Decentration:
    return Decentration(point.in_mm + by.in_mm, point.up_mm + by.up_mm)
