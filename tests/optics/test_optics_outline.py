"""Outlines against analytic shapes, and their invariants."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from opticshop.optics import Outline, smallest_enclosing_circle, superellipse_exponent
from opticshop.optics.errors import InvalidNumber, InvalidOutline, OutOfRange

sizes = st.floats(20, 70)
hundredths = st.integers(-4000, 4000).map(lambda n: n / 100)
exponents = st.floats(2, 12)
outlines = st.builds(lambda a, b, p: Outline.superellipse(a, b, p, points=180), sizes, sizes, exponents)

L_SHAPE = [(0, 0), (30, 0), (30, 10), (10, 10), (10, 30), (0, 30)]


def test_circle_has_the_measures_of_a_circle() -> None:
    circle = Outline.circle(60, points=3600)
    assert circle.a_mm == pytest.approx(60)
    assert circle.b_mm == pytest.approx(60)
    assert circle.effective_diameter_mm == pytest.approx(60)
    assert circle.circumference_mm == pytest.approx(math.pi * 60, rel=1e-6)
    assert circle.area_mm2 == pytest.approx(math.pi * 900, rel=2e-6)


def test_rectangle_has_the_measures_of_a_rectangle() -> None:
    box = Outline.from_points([(0, 0), (50, 0), (50, 30), (0, 30)])
    assert box.points_mm.tolist() == [[-25, -15], [25, -15], [25, 15], [-25, 15]]
    assert (box.a_mm, box.b_mm) == (50, 30)
    assert box.area_mm2 == 1500
    assert box.circumference_mm == 160
    assert box.effective_diameter_mm == pytest.approx(math.hypot(50, 30))


def test_ellipse_measures() -> None:
    # Area pi a b; circumference by Ramanujan's second approximation (error below 1e-7 at this flatness)
    a, b = 27.0, 18.0
    ellipse = Outline.superellipse(2 * a, 2 * b, points=7200)
    h = ((a - b) / (a + b)) ** 2
    around = math.pi * (a + b) * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h)))
    assert ellipse.area_mm2 == pytest.approx(math.pi * a * b, rel=1e-6)
    assert ellipse.circumference_mm == pytest.approx(around, rel=1e-6)
    assert ellipse.effective_diameter_mm == pytest.approx(2 * a)


def test_effective_diameter_is_measured_from_the_boxed_centre() -> None:
    # A 3-4-5 triangle: box 40 x 30, its corners are 25 from the box's middle wherever the centroid lies
    triangle = Outline.from_points([(0, 0), (40, 0), (0, 30)])
    assert triangle.effective_diameter_mm == pytest.approx(50)
    assert triangle.translated(7, -3).effective_diameter_mm == pytest.approx(50)


def test_trace_of_equal_radii_is_a_circle_wherever_it_was_taken() -> None:
    inner = Outline.circle(50, points=3600)
    off_centre = inner.translated(4, -6).radii_mm(1000)
    again = Outline.from_radii(off_centre)
    assert again.boxed_centre_mm == pytest.approx((0, 0), abs=1e-12)
    assert (again.a_mm, again.b_mm) == pytest.approx((50, 50), abs=1e-3)
    assert Outline.from_radii(np.full(720, 25.0)) == Outline.circle(50)


def test_trace_with_given_angles() -> None:
    angles = [0, 45, 90, 180, 200, 270]
    square = Outline.from_radii([20, 20 * math.sqrt(2), 20, 20, 20 / math.cos(math.radians(20)), 20], angles)
    assert square.a_mm == pytest.approx(40)
    assert square.b_mm == pytest.approx(40)


@pytest.mark.parametrize(
    ("radii", "angles", "field"),
    [
        ([20, 20], None, "radii_mm"),
        ([20, 0, 20, 20], None, "radii_mm"),
        ([20, -5, 20, 20], None, "radii_mm"),
        ([20, 20, 20], [0, 120], "angles_deg"),
        ([20, 20, 20], [0, 240, 120], "angles_deg"),
        ([20, 20, 20], [0, 120, 360], "angles_deg"),
        ([20, 20, 20], [0, 60, 120], "angles_deg"),
    ],
)
def test_impossible_traces_are_refused(radii: list[float], angles: list[float] | None, field: str) -> None:
    with pytest.raises(InvalidOutline) as caught:
        Outline.from_radii(radii, angles)
    assert caught.value.field == field


@pytest.mark.parametrize(
    "points",
    [
        [(0, 0), (1, 1)],
        [(0, 0), (10, 0), (20, 0)],
        [(0, 0), (10, 10), (10, 0), (0, 10)],
        [(1, 1), (1, 1), (1, 1)],
        [1, 2, 3],
        [(0, 0, 0), (1, 0, 0), (0, 1, 0)],
    ],
)
def test_impossible_points_are_refused(points: list[object]) -> None:
    with pytest.raises(InvalidOutline):
        Outline.from_points(points)


def test_nan_in_a_trace_is_refused() -> None:
    with pytest.raises(InvalidNumber) as caught:
        Outline.from_radii([20, math.nan, 20, 20])
    assert caught.value.field == "radii_mm"


def test_direction_and_closing_point_do_not_matter() -> None:
    forward = Outline.from_points(L_SHAPE)
    backward = Outline.from_points([*reversed(L_SHAPE), L_SHAPE[-1]])
    assert forward.area_mm2 == backward.area_mm2 == 500
    assert forward.circumference_mm == backward.circumference_mm == 120
    assert sorted(forward.points_mm.tolist()) == sorted(backward.points_mm.tolist())


def test_shape_seen_twice_by_a_ray_has_no_radii() -> None:
    with pytest.raises(InvalidOutline):
        Outline.from_points(L_SHAPE).radii_mm(36)


def test_points_cannot_be_changed_from_outside() -> None:
    points = np.array([[0.0, 0], [50, 0], [50, 30], [0, 30]])
    outline = Outline.from_points(points)
    points[0] = 99
    assert outline.a_mm == 50
    with pytest.raises(ValueError, match="read-only"):
        outline.points_mm[0, 0] = 1


def test_outlines_are_values() -> None:
    one, two = Outline.superellipse(50, 36), Outline.superellipse(50, 36)
    assert one == two
    assert hash(one) == hash(two)
    assert one != Outline.superellipse(50, 37)


@given(outlines)
def test_mirroring_keeps_measures_and_is_its_own_inverse(outline: Outline) -> None:
    mirrored = outline.mirrored()
    assert mirrored.circumference_mm == pytest.approx(outline.circumference_mm, rel=1e-12)
    assert mirrored.area_mm2 == pytest.approx(outline.area_mm2, rel=1e-12)
    assert mirrored.effective_diameter_mm == pytest.approx(outline.effective_diameter_mm, rel=1e-12)
    assert mirrored.mirrored() == outline


@given(outlines, st.floats(-30, 30), st.floats(-30, 30))
def test_translation_moves_the_box_and_keeps_the_shape(outline: Outline, x: float, y: float) -> None:
    moved = outline.translated(x, y)
    assert moved.boxed_centre_mm == pytest.approx((x, y), abs=1e-9)
    assert moved.area_mm2 == pytest.approx(outline.area_mm2, rel=1e-9)
    assert (moved.a_mm, moved.b_mm) == pytest.approx((outline.a_mm, outline.b_mm))


@given(outlines)
def test_measures_agree_with_a_geometry_library(outline: Outline) -> None:
    polygon = shapely.Polygon(outline.points_mm)
    assert outline.area_mm2 == pytest.approx(polygon.area)
    assert outline.circumference_mm == pytest.approx(polygon.length)
    circle = smallest_enclosing_circle(outline.points_mm)
    assert circle.radius_mm == pytest.approx(shapely.minimum_bounding_radius(polygon), abs=1e-9)


def test_enclosing_circle_of_an_equilateral_triangle_is_its_circumcircle() -> None:
    # Circumradius = side / sqrt(3)
    triangle = np.array([(0, 0), (30, 0), (15, 15 * math.sqrt(3))])
    circle = smallest_enclosing_circle(triangle)
    assert circle.radius_mm == pytest.approx(30 / math.sqrt(3))
    assert (circle.x_mm, circle.y_mm) == pytest.approx((15, 15 / math.sqrt(3)))


def test_enclosing_circle_of_an_obtuse_triangle_stands_on_its_longest_side() -> None:
    circle = smallest_enclosing_circle(np.array([(0.0, 0.0), (40.0, 0.0), (18.0, 5.0)]))
    assert (circle.x_mm, circle.y_mm, circle.radius_mm) == pytest.approx((20, 0, 20))


@given(st.lists(st.tuples(hundredths, hundredths), min_size=2, max_size=25))
def test_enclosing_circle_agrees_with_a_geometry_library(points: list[tuple[float, float]]) -> None:
    circle = smallest_enclosing_circle(np.array(points))
    assert circle.radius_mm == pytest.approx(shapely.minimum_bounding_radius(shapely.MultiPoint(points)), abs=1e-6)
    assert all(math.hypot(x - circle.x_mm, y - circle.y_mm) <= circle.radius_mm + 1e-9 for x, y in points)


@given(outlines)
def test_radii_of_a_trace_rebuild_it(outline: Outline) -> None:
    assert Outline.from_radii(outline.radii_mm(180)).points_mm == pytest.approx(outline.points_mm, abs=1e-9)


@given(sizes, sizes, st.floats(2.05, 20))
def test_exponent_is_recovered_from_the_effective_diameter(a: float, b: float, exponent: float) -> None:
    # Greatest radius of a superellipse: the m-norm of the half axes with m = 2p / (p - 2)
    power = 2 * exponent / (exponent - 2)
    ratio = min(a, b) / max(a, b)
    ed = max(a, b) * (1 + ratio**power) ** (1 / power)
    found = superellipse_exponent(a, b, ed)
    outline = Outline.superellipse(a, b, found, points=3600)
    assert outline.effective_diameter_mm == pytest.approx(ed, rel=2e-5)
    assert (outline.a_mm, outline.b_mm) == pytest.approx((a, b))


def test_exponent_stays_within_its_limits() -> None:
    assert superellipse_exponent(50, 36, 50) == 2
    assert superellipse_exponent(50, 36, 40) == 2
    assert superellipse_exponent(50, 36, 70) == 200


def test_scaling_changes_the_boxed_size_only() -> None:
    scaled = Outline.superellipse(50, 36, 3).scaled_to(55, 40)
    assert (scaled.a_mm, scaled.b_mm) == pytest.approx((55, 40))
    assert scaled.points_mm == pytest.approx(Outline.superellipse(50, 36, 3).points_mm * [1.1, 40 / 36])


@pytest.mark.parametrize("points", [0, 7, 1_000_000, 12.5])
def test_silly_numbers_of_points_are_refused(points: int) -> None:
    with pytest.raises(OutOfRange):
        Outline.circle(50, points=points)
