"""The cut-out test: exact on analytic shapes, monotone, and its shift the shortest there is."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from opticshop.optics import (
    Blank,
    Decentration,
    Eye,
    Outline,
    ShiftToFit,
    cut_out,
    cut_out_for_eye,
    minimum_blank_exact_mm,
    smallest_enclosing_circle,
)
from opticshop.optics.errors import OutOfRange

offsets = st.floats(-6, 6)
regular = st.builds(
    lambda a, b, p: Outline.superellipse(a, b, p, points=120), st.floats(30, 60), st.floats(24, 50), st.floats(2, 8)
)
irregular = st.lists(st.floats(14, 30), min_size=5, max_size=24).map(Outline.from_radii)
shapes = st.one_of(regular, irregular)


def test_round_shape_in_a_round_blank() -> None:
    # A circle of 50 decentred by 4 needs 50 + 2 x 4 = 58, and 1 mm of margin all round 60
    circle = Outline.circle(50, points=720)
    exact = cut_out(circle, Blank(60), centration_x_mm=4, margin_mm=1)
    assert exact.fits
    assert exact.clearance_mm == pytest.approx(0, abs=1e-9)
    assert exact.worst_point_mm == pytest.approx((-25, 0), abs=1e-9)
    assert exact.required_diameter_mm == pytest.approx(60)
    assert exact.smallest_diameter_mm == pytest.approx(52)
    assert exact.shift is None


def test_blank_too_small_by_a_known_amount() -> None:
    # 56 instead of 58: 1 mm short, and the optical centre must come 1 mm back toward the boxed centre
    result = cut_out(Outline.circle(50), Blank(56), centration_x_mm=4)
    assert not result.fits
    assert result.can_fit
    assert result.clearance_mm == pytest.approx(-1)
    assert result.shift is not None
    assert (result.shift.x_mm, result.shift.y_mm) == pytest.approx((-1, 0), abs=1e-9)


def test_blank_smaller_than_the_shape_never_fits() -> None:
    result = cut_out(Outline.circle(50), Blank(49), centration_x_mm=4)
    assert not result.can_fit
    assert result.shift is None
    assert result.smallest_diameter_mm == pytest.approx(50)


def test_shift_of_a_rectangle_goes_to_the_crossing_of_two_rims() -> None:
    # Box 40 x 30 in a blank of 52 (radius 26), centre 4 right and 3 up: the corners at the left and the bottom decide
    box = Outline.from_points([(0, 0), (40, 0), (40, 30), (0, 30)])
    result = cut_out(box, Blank(52), centration_x_mm=4, centration_y_mm=3)
    assert result.required_diameter_mm == pytest.approx(2 * math.hypot(24, 18))
    assert result.shift is not None
    centre = np.array([4 + result.shift.x_mm, 3 + result.shift.y_mm])
    assert np.hypot(*(centre - [-20, -15])) == pytest.approx(26)
    assert centre == pytest.approx([0.8, 0.6])


def test_decentred_blank_takes_the_decentration_away() -> None:
    # Blank of 50 whose middle lies 4 mm temporal of its optical centre holds a circle of 50 decentred 4 mm in
    circle = Outline.circle(50)
    blank = Blank(50, centre_x_mm=-4)
    assert cut_out_for_eye(circle, blank, Eye.RIGHT, Decentration(4)).fits
    assert cut_out_for_eye(circle, blank.mirrored(), Eye.LEFT, Decentration(4)).fits
    assert not cut_out_for_eye(circle, blank, Eye.LEFT, Decentration(4)).fits


def test_usable_circle_binds_when_the_rim_does_not() -> None:
    circle = Outline.circle(50)
    assert cut_out(circle, Blank(70)).fits
    usable = Blank(70, usable_diameter_mm=52, usable_x_mm=2)
    result = cut_out(circle, usable)
    assert result.clearance_mm == pytest.approx(26 - 27)
    assert result.worst_point_mm == pytest.approx((-25, 0), abs=1e-9)
    assert result.shift is not None
    assert (result.shift.x_mm, result.shift.y_mm) == pytest.approx((-1, 0), abs=1e-9)
    assert cut_out(circle, Blank(70, usable_diameter_mm=52)).fits


def test_shift_may_be_impossible_with_two_circles_although_each_would_do() -> None:
    # Rim centred 10 mm left, usable circle 10 mm right: no place lies in both
    blank = Blank(60, centre_x_mm=-10, usable_diameter_mm=60, usable_x_mm=10, usable_y_mm=0)
    assert not cut_out(Outline.circle(58), blank).can_fit


def test_exact_blank_never_exceeds_the_rule_of_thumb() -> None:
    # Exact need is 2 x max over the outline of the distance from the optical centre; the rule is its upper bound
    outline = Outline.superellipse(54, 40, 4)
    exact = minimum_blank_exact_mm(outline, 4, 0)
    assert exact < outline.effective_diameter_mm + 8
    assert cut_out(outline, Blank(exact), centration_x_mm=4).fits
    assert not cut_out(outline, Blank(exact - 0.001), centration_x_mm=4).fits


@given(shapes, st.floats(30, 80), st.floats(0, 20), offsets, offsets)
def test_cut_out_is_monotone_in_blank_size(outline: Outline, size: float, more: float, x: float, y: float) -> None:
    small = cut_out(outline, Blank(size), centration_x_mm=x, centration_y_mm=y)
    large = cut_out(outline, Blank(size + more), centration_x_mm=x, centration_y_mm=y)
    assert large.fits or not small.fits
    assert large.can_fit or not small.can_fit
    assert large.clearance_mm == pytest.approx(small.clearance_mm + more / 2)


@given(shapes, st.floats(40, 75), offsets, offsets, st.floats(0, 3))
def test_shift_makes_the_lens_fit_and_is_the_shortest(
    outline: Outline, size: float, x: float, y: float, margin: float
) -> None:
    result = cut_out(outline, Blank(size), centration_x_mm=x, centration_y_mm=y, margin_mm=margin)
    enclosing = smallest_enclosing_circle(outline.points_mm)
    assert result.can_fit is bool(enclosing.radius_mm + margin <= size / 2 + 1e-9)
    if result.shift is None:
        return
    dx, dy = result.shift.x_mm, result.shift.y_mm
    after = cut_out(outline, Blank(size), centration_x_mm=x + dx, centration_y_mm=y + dy, margin_mm=margin)
    assert after.clearance_mm >= -1e-8
    # Optimal when no feasible placement lies nearer: the feasible set is convex, so try straight back and around
    for angle in np.linspace(0, 2 * np.pi, 24, endpoint=False):
        nearer = 0.999 * result.shift.distance_mm
        tried = cut_out(
            outline,
            Blank(size),
            centration_x_mm=x + nearer * np.cos(angle),
            centration_y_mm=y + nearer * np.sin(angle),
            margin_mm=margin,
        )
        assert tried.clearance_mm < 1e-6


@given(shapes, st.floats(45, 80), offsets, offsets)
def test_verdict_agrees_with_a_geometry_library(outline: Outline, size: float, x: float, y: float) -> None:
    result = cut_out(outline, Blank(size), centration_x_mm=x, centration_y_mm=y)
    reach = shapely.hausdorff_distance(shapely.Point(x, y), shapely.Polygon(outline.points_mm))
    assert result.clearance_mm == pytest.approx(size / 2 - reach, abs=1e-9)


@given(shapes, st.floats(45, 75), offsets, offsets)
def test_left_eye_is_the_mirror_image_of_the_right(outline: Outline, size: float, inward: float, up: float) -> None:
    blank = Blank(size, centre_x_mm=1.5, usable_diameter_mm=size - 2, usable_x_mm=1, usable_y_mm=0.5)
    right = cut_out_for_eye(outline, blank, Eye.RIGHT, Decentration(inward, up), 0.5)
    left = cut_out_for_eye(outline.mirrored(), blank.mirrored(), Eye.LEFT, Decentration(inward, up), 0.5)
    assert left.fits is right.fits
    assert left.clearance_mm == pytest.approx(right.clearance_mm, abs=1e-9)
    if right.shift is not None and left.shift is not None:
        one, two = right.shift.decentration(Eye.RIGHT), left.shift.decentration(Eye.LEFT)
        assert (one.in_mm, one.up_mm) == pytest.approx((two.in_mm, two.up_mm), abs=1e-6)


def test_shift_in_words() -> None:
    shift = ShiftToFit(3, -4)
    assert shift.distance_mm == 5
    assert shift.decentration(Eye.LEFT) == Decentration(-3, -4)


@pytest.mark.parametrize(
    "arguments", [{"diameter_mm": 0}, {"diameter_mm": -5}, {"diameter_mm": 70, "usable_x_mm": 1}, {"diameter_mm": 1e9}]
)
def test_impossible_blanks_are_refused(arguments: dict[str, float]) -> None:
    with pytest.raises(OutOfRange):
        Blank(**arguments)
