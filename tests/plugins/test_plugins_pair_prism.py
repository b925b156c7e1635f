"""Prism computed from the place of the optical centres, against the optics core and worked values."""

from __future__ import annotations

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.optics.conformity import DecimalPower
from opticshop.optics.prentice import prism_of_centration_errors
from opticshop.optics.sphero_cylinder import SpheroCylinder
from opticshop.plugin_api import EyeInspection, InspectionRequest, LensValues, PairInspection
from opticshop.plugin_api.tolerance_kit import (
    horizontal_power_dpt,
    relative_prism_horizontal,
    relative_prism_vertical,
    vertical_power_dpt,
)


def eye(power: tuple[str, str, int], out_mm: str | None = None, up_mm: str | None = None) -> EyeInspection:
    sphere, cylinder, axis = power
    ordered = LensValues.of(
        sphere_dpt=sphere,
        cylinder_dpt=cylinder,
        axis_deg=axis,
        centration_distance_mm=32,
        centration_height_mm=20,
    )
    measured = LensValues.of(
        sphere_dpt=sphere,
        cylinder_dpt=cylinder,
        axis_deg=axis,
        centration_distance_mm=None if out_mm is None else D(32) + D(out_mm),
        centration_height_mm=None if up_mm is None else D(20) + D(up_mm),
    )
    return EyeInspection(ordered=ordered, measured=measured)


def request(right: EyeInspection, left: EyeInspection, pair: PairInspection | None = None) -> InspectionRequest:
    return InspectionRequest(lens_kind="single_vision", right=right, left=left, pair=pair)


def test_a_minus_lens_centred_too_far_out_gives_base_in() -> None:
    # Prentice: 0.1 cm x 6.00 D = 0.60; a minus lens has its base away from the optical centre
    reading = relative_prism_horizontal(request(eye(("-6", "0", 180), "1", "0"), eye(("-6", "0", 180), "1", "0")))
    assert reading is not None
    assert reading.measured == D("1.2")


def test_a_plus_lens_centred_too_high_gives_base_up() -> None:
    reading = relative_prism_vertical(request(eye(("2", "0", 180), "0", "1.7"), eye(("2", "0", 180), "0", "0")))
    assert reading is not None
    assert reading.measured == D("0.34")


mm = st.integers(-30, 30).map(lambda tenths: D(tenths) / 10)
powers = st.tuples(
    st.integers(-40, 40).map(lambda number: str(D(number) / 4)),
    st.integers(-16, 16).map(lambda number: str(D(number) / 4)),
    st.integers(1, 180),
)


@given(powers, powers, mm, mm, mm, mm)
def test_both_eyes_agree_with_the_power_matrix_of_the_optics_core(
    right: tuple[str, str, int],
    left: tuple[str, str, int],
    right_out: D,
    right_up: D,
    left_out: D,
    left_up: D,
) -> None:
    asked = request(
        eye(right, str(right_out), str(right_up)),
        eye(left, str(left_out), str(left_up)),
    )
    horizontal, vertical = relative_prism_horizontal(asked), relative_prism_vertical(asked)
    expected = prism_of_centration_errors(
        SpheroCylinder(float(right[0]), float(right[1]), float(right[2])),
        SpheroCylinder(float(left[0]), float(left[1]), float(left[2])),
        right_out_mm=float(right_out),
        left_out_mm=float(left_out),
        right_up_mm=float(right_up),
        left_up_mm=float(left_up),
    ).relative
    assert horizontal is not None
    assert vertical is not None
    assert float(horizontal.measured) == pytest.approx(expected.base_in_pdpt, abs=1e-5)
    assert float(vertical.measured) == pytest.approx(expected.right_up_pdpt, abs=1e-5)


def test_prism_that_was_read_is_preferred_to_the_place() -> None:
    def lens(prism: str) -> EyeInspection:
        measured = LensValues.of(sphere_dpt=-6, cylinder_dpt=0, centration_distance_mm=40, prism_in_dpt=prism)
        return EyeInspection(ordered=LensValues.of(sphere_dpt=-6, centration_distance_mm=32), measured=measured)

    reading = relative_prism_horizontal(request(lens("0.1"), lens("-0.3")))
    assert reading is not None
    assert (reading.measured, reading.note) == (D("-0.2"), "")


def test_one_distance_for_the_pair_is_laid_into_the_lens_that_makes_it_worse() -> None:
    pair = PairInspection.of(ordered_centre_distance_mm=64, measured_centre_distance_mm=65)
    reading = relative_prism_horizontal(request(eye(("-2", "0", 180)), eye(("-2.5", "0", 180)), pair))
    assert reading is not None
    assert reading.measured == D("0.25")
    assert "makes it worse" in reading.note


def test_powers_too_different_for_one_distance_give_nothing() -> None:
    pair = PairInspection.of(
        ordered_centre_distance_mm=64, measured_centre_distance_mm=64, measured_height_difference_mm=0
    )
    asked = request(eye(("-2", "0", 180)), eye(("-3.25", "0", 180)), pair)
    assert relative_prism_horizontal(asked) is None
    assert relative_prism_vertical(asked) is None


def test_the_uncertainty_of_a_length_is_carried_over() -> None:
    reading = relative_prism_horizontal(request(eye(("-6", "0", 180), "1", "0"), eye(("-4", "0", 180), "1", "0")))
    assert reading is not None
    assert reading.uncertainty(D("0.5")) == D("0.3")
    assert reading.uncertainty(None) is None


@pytest.mark.parametrize(
    ("power", "horizontal", "vertical"),
    [
        (DecimalPower(D(-1), D(-3), D(180)), "-1", "-4"),
        (DecimalPower(D(-1), D(-3), D(90)), "-4", "-1"),
        (DecimalPower(D(2), D(-1), D(45)), "1.5", "1.5"),
        (DecimalPower(D(2), D(-1), D(30)), "1.75", "1.25"),
    ],
)
def test_power_along_a_direction(power: DecimalPower, horizontal: str, vertical: str) -> None:
    # F along the horizontal = S + C sin2 A; sin2 of 30 degrees is 0.25, of 45 degrees 0.5
    assert horizontal_power_dpt(power) == pytest.approx(D(horizontal), abs=D("0.000001"))
    assert vertical_power_dpt(power) == pytest.approx(D(vertical), abs=D("0.000001"))
