"""A whole pair computed: every figure against the module or the hand calculation it comes from."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.optics import (
    Blank,
    BoxedFrame,
    Decentration,
    DispensingLimits,
    Eye,
    EyeInput,
    FrameInput,
    LensInput,
    Outline,
    PairResult,
    Prism,
    SpheroCylinder,
    WarningCode,
    compute_eye,
    compute_pair,
    cut_out,
    edge_profile,
    minimum_blank_exact_mm,
    prism_of_decentration,
    relative_prism,
    shaped_volume_mm3,
    spectacle_magnification,
)
from opticshop.optics.errors import MissingMeasurement, OpticsError, OutOfRange, SingularPower, SurfaceTooSteep

# Frame and PDs of the reference file's boxing row 6: decentration 3.5 and 2.0 in, 3.0 up, ED 55
BOXED = BoxedFrame(a_mm=52, b_mm=36, dbl_mm=18, ed_mm=55)
FRAME = FrameInput(boxed=BOXED)
LENS = LensInput(
    index=1.6,
    abbe=41,
    density_g_cm3=1.3,
    diameter_mm=70,
    front_power_dpt=3,
    minimum_centre_mm=1.5,
    minimum_edge_mm=1.0,
)


def right(**changes: Any) -> EyeInput:
    given_ = {"power": SpheroCylinder(-3, -0.75, 170), "mono_pd_mm": 31.5, "height_mm": 21.0}
    return EyeInput(eye=Eye.RIGHT, **(given_ | changes))


def left(**changes: Any) -> EyeInput:
    given_ = {"power": SpheroCylinder(-3.25, -0.5, 10), "mono_pd_mm": 33.0, "height_mm": 21.0}
    return EyeInput(eye=Eye.LEFT, **(given_ | changes))


def pair(r: EyeInput | None = None, s: EyeInput | None = None, **changes: Any) -> PairResult:
    frame = changes.pop("frame", FRAME)
    lens = changes.pop("lens", LENS)
    return compute_pair(r or right(), s or left(), frame, lens, lens, **changes)


def codes(result: Any) -> set[WarningCode]:
    return {warning.code for warning in result.warnings}


def lens_with(**changes: Any) -> LensInput:
    return dataclasses.replace(LENS, **changes)


def test_decentration_and_rule_of_thumb_of_the_reference_row() -> None:
    # Boxing row 6: dec in 3.5 R, 2 L, up 3; minimum blank 64.219544 R, 62.211103 L
    result = pair()
    assert (result.right.centration, result.left.centration) == (Decentration(3.5, 3), Decentration(2, 3))
    assert result.right.minimum_blank_rule_mm == pytest.approx(64.219544, abs=1e-5)
    assert result.left.minimum_blank_rule_mm == pytest.approx(62.211103, abs=1e-5)
    allowed = pair(lens=lens_with(blank_allowance_mm=2))
    assert allowed.right.minimum_blank_rule_mm == pytest.approx(66.219544, abs=1e-5)


def test_untraced_frame_uses_the_superellipse_of_its_three_sizes_and_says_so() -> None:
    eye = compute_eye(right(), FRAME, LENS)
    assert eye.outline_is_assumed
    assert (eye.outline.a_mm, eye.outline.b_mm) == pytest.approx((52, 36))
    assert eye.outline.effective_diameter_mm == pytest.approx(55, abs=2e-3)
    assert eye.effective_diameter_mm == 55
    assert WarningCode.OUTLINE_ASSUMED in codes(eye)


def test_frame_without_effective_diameter_uses_the_stated_exponent() -> None:
    frame = FrameInput(boxed=BoxedFrame(52, 36, 18))
    eye = compute_eye(right(), frame, LENS, limits=DispensingLimits(assumed_exponent=2.5))
    assert eye.assumed_exponent == 2.5
    assert eye.outline == Outline.superellipse(52, 36, 2.5)
    assert WarningCode.ED_UNKNOWN in codes(eye)


def test_traced_frame_is_used_as_traced_and_mirrored_for_the_left() -> None:
    egg = Outline.from_radii([26 + 2 * math.cos(math.radians(angle - 30)) for angle in range(0, 360, 2)])
    frame = FrameInput(boxed=BoxedFrame(egg.a_mm, egg.b_mm, 18), outline=egg)
    result = pair(frame=frame)
    assert result.right.outline is egg
    assert result.left.outline == egg.mirrored()
    assert not result.right.outline_is_assumed
    assert result.right.effective_diameter_mm == egg.effective_diameter_mm
    assert codes(result) == set()


def test_trace_of_another_size_is_pointed_out() -> None:
    frame = FrameInput(boxed=BOXED, outline=Outline.superellipse(50, 36, 3))
    assert WarningCode.OUTLINE_DIFFERS in codes(compute_eye(right(), frame, LENS))


def test_cut_out_is_that_of_the_cut_out_module() -> None:
    eye = compute_eye(left(), FRAME, lens_with(cutting_margin_mm=0.75))
    direct = cut_out(eye.outline, Blank(70), centration_x_mm=-2, centration_y_mm=3, margin_mm=0.75)
    assert eye.cut_out == direct
    assert eye.clearance_mm == direct.clearance_mm
    assert eye.cuts_out
    exact = minimum_blank_exact_mm(eye.outline, -2, 3, 0.75)
    assert eye.minimum_blank_exact_mm == pytest.approx(exact)
    assert eye.minimum_blank_exact_mm < eye.minimum_blank_rule_mm + 1.5


def test_small_blank_reports_the_shift_and_the_prism_it_would_cost() -> None:
    result = pair(lens=lens_with(diameter_mm=62))
    eye = result.right
    assert not eye.cuts_out
    assert WarningCode.BLANK_FITS_SHIFTED in codes(eye)
    assert eye.shift_to_fit is not None
    assert eye.shift_to_fit.in_mm < 0
    expected = prism_of_decentration(eye.lens_power, eye.shift_to_fit.x_mm(Eye.RIGHT), eye.shift_to_fit.up_mm)
    assert eye.induced_if_shifted == expected
    # Minus lens, optical centre too far out: base in (the reference file's relative-prism row 1)
    assert expected.base_in_pdpt(Eye.RIGHT) > 0
    assert eye.induced_prism.is_zero
    both = relative_prism(expected, result.left.induced_if_shifted or result.left.induced_prism)
    assert result.induced_if_shifted == both


def test_hopeless_blank_is_named() -> None:
    eye = compute_eye(right(), FRAME, lens_with(diameter_mm=50))
    assert not eye.cuts_out
    assert eye.shift_to_fit is None
    assert eye.induced_if_shifted is None
    assert WarningCode.BLANK_TOO_SMALL in codes(eye)


def test_after_the_shift_the_lens_fits() -> None:
    first = compute_eye(right(), FRAME, lens_with(diameter_mm=62))
    assert first.shift_to_fit is not None
    inward, up = first.shift_to_fit.in_mm, first.shift_to_fit.up_mm
    shifted = right(centre_shift_in_mm=inward, centre_shift_up_mm=up)
    second = compute_eye(shifted, FRAME, lens_with(diameter_mm=62))
    assert second.clearance_mm == pytest.approx(0, abs=1e-6)
    assert first.induced_if_shifted is not None
    assert second.induced_prism.x_pdpt == pytest.approx(first.induced_if_shifted.x_pdpt, abs=1e-6)
    assert second.centration == first.centration
    assert second.optical_centre != second.centration


def test_centres_placed_too_far_out_give_the_relative_prism_of_the_reference_row() -> None:
    # Relative-prism row 1: -6.00 both, centres 2 mm out each: 1.2 base in each eye, 2.4 together
    shift = {"power": SpheroCylinder(-6), "centre_shift_in_mm": -2.0}
    result = pair(right(**shift), left(**shift))
    assert result.right.induced_prism.base_in_pdpt(Eye.RIGHT) == pytest.approx(1.2)
    assert result.induced_prism.base_in_pdpt == pytest.approx(2.4)
    assert result.induced_prism.right_up_pdpt == pytest.approx(0)


def test_vertex_distances_are_compensated_exactly() -> None:
    # Effectivity row 7: -5.00 / -4.00 x 160 from 13 to 16 mm
    eye = compute_eye(right(power=SpheroCylinder(-5, -4, 160), vertex_tested_mm=13, vertex_worn_mm=16), FRAME, LENS)
    assert eye.power_worn.triple == pytest.approx((-5.076142, -4.173601, 160), abs=1e-5)
    assert eye.lens_power == eye.power_worn
    assert WarningCode.VERTEX_UNKNOWN not in codes(eye)


def test_unmeasured_vertex_distance_matters_from_four_dioptres() -> None:
    # Common practice, no source
    assert WarningCode.VERTEX_UNKNOWN in codes(compute_eye(right(power=SpheroCylinder(-4)), FRAME, LENS))
    assert WarningCode.VERTEX_UNKNOWN not in codes(compute_eye(right(power=SpheroCylinder(-3.75)), FRAME, LENS))
    one = right(power=SpheroCylinder(-4), vertex_tested_mm=12)
    eye = compute_eye(one, FRAME, LENS)
    assert WarningCode.VERTEX_UNKNOWN in codes(eye)
    assert eye.power_worn == SpheroCylinder(-4)


def test_wrap_is_compensated_only_when_the_lens_is() -> None:
    # Tilt row 10: -8.00 / -1.50 x 160, wrap 20, n 1.586, exact order
    frame = FrameInput(boxed=BOXED, wrap_deg=20)
    given_ = right(power=SpheroCylinder(-8, -1.5, 160))
    plain = compute_eye(given_, frame, lens_with(index=1.586))
    made = compute_eye(given_, frame, lens_with(index=1.586, compensated=True))
    assert plain.power_to_order.triple == pytest.approx((-6.856775, -2.205559, 168.358043), abs=1e-5)
    assert plain.lens_power == SpheroCylinder(-8, -1.5, 160)
    assert WarningCode.WRAP_UNCOMPENSATED in codes(plain)
    assert plain.tilt_residual.highest_absolute_power_dpt > 1
    assert made.lens_power == made.power_to_order == plain.power_to_order
    assert WarningCode.WRAP_UNCOMPENSATED not in codes(made)


def test_thickness_and_weight_are_those_of_the_lens_made() -> None:
    eye = compute_eye(right(), FRAME, LENS)
    place = {"centre_x_mm": 3.5, "centre_y_mm": 3.0}
    edge = edge_profile(eye.lens, eye.outline, **place)
    assert (eye.thinnest_edge_mm, eye.thickest_edge_mm) == (edge.thinnest_mm, edge.thickest_mm)
    assert eye.centre_thickness_mm == 1.5
    assert eye.weight_g == pytest.approx(1.3e-3 * shaped_volume_mm3(eye.lens, eye.outline, **place))
    assert eye.lens.back_vertex_power.triple == pytest.approx(eye.lens_power.triple)


def test_plus_lens_keeps_its_minimum_edge() -> None:
    eye = compute_eye(right(power=SpheroCylinder(4, 1, 90)), FRAME, lens_with(front_power_dpt=8))
    assert eye.thinnest_edge_mm == pytest.approx(1.0)
    assert eye.centre_thickness_mm > 1.5


def test_prescribed_prism_is_ground_or_made_by_decentration() -> None:
    prism = Prism.for_eye(Eye.RIGHT, base_in_pdpt=1.5)
    ground = compute_eye(right(prism=prism), FRAME, LENS)
    moved = compute_eye(right(prism=prism), FRAME, lens_with(prism_by_decentration=True))
    assert ground.optical_centre == ground.centration
    assert ground.lens.prism == prism
    assert moved.lens.prism.is_zero
    x, y = moved.optical_centre.in_mm - 3.5, moved.optical_centre.up_mm - 3
    again = prism_of_decentration(moved.lens_power, x, y)
    assert (again.x_pdpt, again.y_pdpt) == pytest.approx((prism.x_pdpt, prism.y_pdpt))
    # A minus lens gives base in when its optical centre lies further out
    assert moved.optical_centre.in_mm < 3.5
    assert moved.induced_prism.is_zero


def test_prism_by_decentration_needs_power() -> None:
    with pytest.raises(SingularPower):
        compute_eye(
            right(power=SpheroCylinder(0, -1, 90), prism=Prism(1, 1)), FRAME, lens_with(prism_by_decentration=True)
        )


def test_prescribed_relative_prism_is_reported() -> None:
    result = pair(right(prism=Prism.for_eye(Eye.RIGHT, base_in_pdpt=2, base_up_pdpt=1)), left(prism=Prism(-1, 0)))
    assert result.prescribed_prism.base_in_pdpt == pytest.approx(3)
    assert result.prescribed_prism.right_up_pdpt == pytest.approx(1)


def test_anisometropia_with_imbalance_at_the_reading_level_is_pointed_out() -> None:
    # Reading row 2: +1.00 and +4.00, 10 mm: 3 prism dioptres, slab base up on the right
    result = pair(right(power=SpheroCylinder(1)), left(power=SpheroCylinder(4)), lens=lens_with(front_power_dpt=7))
    assert result.anisometropia_dpt == pytest.approx(3)
    assert result.reading.slab_pdpt == pytest.approx(3)
    assert result.reading.slab_eye is Eye.RIGHT
    assert WarningCode.READING_IMBALANCE in codes(result)


def test_anisometropia_across_the_horizontal_only_needs_no_slab() -> None:
    # Cylinders at axis 90 act horizontally: no vertical imbalance, however different the eyes
    result = pair(right(power=SpheroCylinder(-1, -3, 90)), left(power=SpheroCylinder(-1)))
    assert result.anisometropia_dpt == pytest.approx(3)
    assert WarningCode.READING_IMBALANCE not in codes(result)


def test_binocular_pd_alone_is_halved_and_questioned_in_high_powers() -> None:
    low = pair(right(mono_pd_mm=None), left(mono_pd_mm=None), binocular_pd_mm=64)
    assert low.right.centration.in_mm == low.left.centration.in_mm == 3
    assert WarningCode.PD_BINOCULAR_ONLY not in codes(low)
    high = pair(right(mono_pd_mm=None, power=SpheroCylinder(-6)), left(mono_pd_mm=None), binocular_pd_mm=64)
    assert [w.eye for w in high.warnings if w.code is WarningCode.PD_BINOCULAR_ONLY] == [Eye.RIGHT]


def test_no_pd_at_all_is_an_error() -> None:
    with pytest.raises(MissingMeasurement) as caught:
        compute_eye(right(mono_pd_mm=None), FRAME, LENS)
    assert caught.value.code == "optics.missing_measurement"


def test_missing_height_is_assumed_and_said() -> None:
    eye = compute_eye(right(height_mm=None), FRAME, LENS)
    assert eye.centration.up_mm == 0
    assert WarningCode.HEIGHT_ASSUMED in codes(eye)


def test_image_size_difference_is_the_ratio_of_the_magnifications() -> None:
    shared = {"vertex_tested_mm": 12.0, "vertex_worn_mm": 12.0}
    result = pair(
        right(power=SpheroCylinder(1), **shared),
        left(power=SpheroCylinder(4), **shared),
        lens=lens_with(front_power_dpt=7),
    )
    totals = [
        spectacle_magnification(7, bvp, eye.centre_thickness_mm, 1.6, 15).total
        for bvp, eye in ((1, result.right), (4, result.left))
    ]
    assert result.size_difference_percent == pytest.approx(100 * (totals[0] / totals[1] - 1))
    assert pair().size_difference_percent is None


def test_a_pair_is_one_of_each() -> None:
    with pytest.raises(OutOfRange):
        compute_pair(right(), right(), FRAME, LENS, LENS)


def test_lens_that_cannot_exist_is_a_typed_error() -> None:
    # r = 1000 x 0.6 / 22 = 27.3 mm, and the outline reaches 31 mm from the optical centre
    with pytest.raises(SurfaceTooSteep) as caught:
        compute_eye(right(power=SpheroCylinder(12)), FRAME, lens_with(front_power_dpt=22))
    assert caught.value.code == "optics.surface_too_steep"


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: right(mono_pd_mm=64), "mono_pd_mm"),
        (lambda: right(vertex_worn_mm=math.nan), "vertex_worn_mm"),
        (lambda: right(height_mm=-1), "height_mm"),
        (lambda: FrameInput(boxed=BOXED, wrap_deg=80), "wrap_deg"),
        (lambda: lens_with(index=0.9), "index"),
        (lambda: lens_with(abbe=5), "abbe"),
        (lambda: lens_with(density_g_cm3=None), "density_g_cm3"),
        (lambda: lens_with(diameter_mm=math.inf), "diameter_mm"),
        (lambda: compute_eye(right(), FRAME, lens_with(usable_in_mm=1)), "usable_diameter_mm"),
    ],
)
def test_inputs_name_the_field_at_fault(make: Any, field: str) -> None:
    with pytest.raises(OpticsError) as caught:
        make()
    assert caught.value.field == field


def test_warnings_carry_words_and_the_eye() -> None:
    for warning in pair(lens=lens_with(diameter_mm=55)).warnings:
        assert len(warning.message) > 20
        assert warning.eye in Eye


@settings(max_examples=40)
@given(
    st.builds(SpheroCylinder, st.floats(-8, 5), st.floats(-3, 0), st.floats(0, 180)),
    st.floats(29, 34),
    st.floats(14, 24),
    st.floats(55, 80),
)
def test_left_pair_is_the_mirror_image_of_the_right(
    power: SpheroCylinder, pd: float, height: float, diameter: float
) -> None:
    lens = lens_with(diameter_mm=diameter, front_power_dpt=7, blank_in_mm=1.0, usable_diameter_mm=diameter - 3)
    mirrored = SpheroCylinder(power.sphere_dpt, power.cylinder_dpt, (180 - power.axis_deg) % 180)
    one = compute_eye(right(power=power, mono_pd_mm=pd, height_mm=height), FRAME, lens)
    two = compute_eye(left(power=mirrored, mono_pd_mm=pd, height_mm=height), FRAME, lens)
    for name in ("clearance_mm", "thickest_edge_mm", "thinnest_edge_mm", "weight_g", "minimum_blank_exact_mm"):
        assert getattr(one, name) == pytest.approx(getattr(two, name), abs=1e-6)
    assert codes(one) == codes(two)


def test_nothing_is_rounded() -> None:
    eye = compute_eye(right(mono_pd_mm=31.4142), FRAME, LENS)
    assert eye.centration.in_mm == pytest.approx(35 - 31.4142, abs=1e-12)
