"""Thickness and weight against computed rows and analytic shapes.

Tolerance 1e-5, or what a row says: 1e-3 mm for outlines, 1e-5 of the value for volumes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from opticshop.optics import (
    EdgeProfile,
    MeniscusLens,
    Outline,
    Prism,
    SpheroCylinder,
    back_surface_power,
    edge_profile,
    edge_thickness_mm,
    lens_for_outline,
    radius_mm,
    round_lens,
    round_volume_mm3,
    sagitta_mm,
    shaped_volume_mm3,
    weight_g,
)
from opticshop.optics.errors import ImpossibleThickness, SurfaceTooSteep

Row = dict[str, Any]

COMPUTED = "computed from first principles, two routes agreeing"


def close(value: Any) -> Any:
    return pytest.approx(value, abs=1e-5)


def shape(given: Row) -> Outline:
    assert given["outline"] == "superellipse"
    return Outline.superellipse(given["A_mm"], given["B_mm"], given["p"], points=7200)


def centre(given: Row) -> dict[str, float]:
    return {"centre_x_mm": given["dec_x_mm"], "centre_y_mm": given.get("dec_y_mm", 0)}


def finished(given: Row) -> MeniscusLens:
    return MeniscusLens.of_back_vertex_power(
        SpheroCylinder(given["BVP_D"]),
        front_power_dpt=given["F1_D"],
        centre_thickness_mm=given["tc_mm"],
        index=given["n"],
    )


THICKNESS_ROWS = [
    (
        1,
        {"F1_D": 4, "BVP_D": -4, "tc_mm": 2, "n": 1.498, "diameter_mm": 70},
        {"F2_D": -8.021477, "r1_mm": 124.5, "r2_mm": 62.083333, "edge_mm": 7.785318},
        COMPUTED,
    ),
    (
        2,
        {"F1_D": 2.5, "BVP_D": -6, "tc_mm": 1.5, "n": 1.6, "diameter_mm": 65},
        {"F2_D": -8.505873, "r1_mm": 240, "r2_mm": 70.539495, "edge_mm": 7.22232},
        COMPUTED,
    ),
    (
        3,
        {"F1_D": 1.5, "BVP_D": -8, "tc_mm": 1.2, "n": 1.74, "diameter_mm": 60},
        {"F2_D": -9.501553, "r1_mm": 493.333333, "r2_mm": 77.882002, "edge_mm": 6.296843},
        COMPUTED,
    ),
    (
        4,
        {"F1_D": 3, "BVP_D": -3, "tc_mm": 1.8, "n": 1.586, "diameter_mm": 68},
        {"F2_D": -6.010249, "r1_mm": 195.333333, "r2_mm": 97.500116, "edge_mm": 4.938487},
        COMPUTED,
    ),
    (
        5,
        {"F1_D": 6.5, "BVP_D": 4, "n": 1.498, "diameter_mm": 65, "min_edge_mm": 1},
        {"tc_mm": 5.396791, "F2_D": -2.655862},
        COMPUTED,
    ),
    (
        6,
        {"F1_D": 8, "BVP_D": 6, "n": 1.586, "diameter_mm": 60, "min_edge_mm": 1.2},
        {"tc_mm": 5.895286, "F2_D": -2.245184},
        COMPUTED,
    ),
    (
        7,
        {"F1_D": 5, "BVP_D": 2, "n": 1.6, "diameter_mm": 70, "min_edge_mm": 1},
        {"tc_mm": 3.080482, "F2_D": -3.0486},
        COMPUTED,
    ),
    (
        8,
        {
            "F1_D": 3,
            "BVP_D": -5,
            "tc_mm": 1.5,
            "n": 1.6,
            "outline": "superellipse",
            "A_mm": 50,
            "B_mm": 36,
            "p": 2,
            "dec_x_mm": 3,
            "dec_y_mm": 0,
        },
        {"edge_max_mm": 4.959189, "edge_min_mm": 2.840518, "y_max_mm": 28, "y_min_mm": 17.728855},
        COMPUTED,
    ),
    (
        9,
        {
            "F1_D": 2,
            "BVP_D": -7,
            "tc_mm": 1.2,
            "n": 1.67,
            "outline": "superellipse",
            "A_mm": 54,
            "B_mm": 40,
            "p": 4,
            "dec_x_mm": 4,
            "dec_y_mm": 1,
        },
        {"edge_max_mm": 7.22721, "edge_min_mm": 3.126517, "y_max_mm": 32.847841, "y_min_mm": 18.997534},
        COMPUTED,
    ),
    (
        10,
        {
            "F1_D": 4,
            "BVP_D": -3,
            "tc_mm": 2,
            "n": 1.498,
            "outline": "superellipse",
            "A_mm": 52,
            "B_mm": 44,
            "p": 2,
            "dec_x_mm": 0,
            "dec_y_mm": 0,
        },
        {"edge_max_mm": 4.192316, "edge_min_mm": 3.539128, "y_max_mm": 26, "y_min_mm": 22},
        COMPUTED,
    ),
    (
        11,
        {
            "F1_D": 7,
            "BVP_D": 4.5,
            "n": 1.498,
            "outline": "superellipse",
            "A_mm": 50,
            "B_mm": 38,
            "p": 2,
            "dec_x_mm": 2.5,
            "min_edge_mm": 1,
        },
        {"tc_mm": 4.506484, "edge_max_mm": 2.925017},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), THICKNESS_ROWS)
def test_thickness(number: int, given: Row, expected: Row, source: str) -> None:
    f1, bvp, n = given["F1_D"], given["BVP_D"], given["n"]
    if "outline" in given:
        outline = shape(given)
        if "min_edge_mm" in given:
            lens = lens_for_outline(
                SpheroCylinder(bvp),
                outline,
                front_power_dpt=f1,
                index=n,
                minimum_centre_mm=0.5,
                minimum_edge_mm=given["min_edge_mm"],
                **centre(given),
            )
            assert lens.centre_thickness_mm == pytest.approx(expected["tc_mm"], abs=1e-3), source
            assert edge_profile(lens, outline, **centre(given)).thinnest_mm == pytest.approx(given["min_edge_mm"]), (
                source
            )
        else:
            lens = finished(given)
        edge = edge_profile(lens, outline, **centre(given))
        assert edge.thickest_mm == pytest.approx(expected["edge_max_mm"], abs=1e-3), source
        if "edge_min_mm" in expected:
            assert edge.thinnest_mm == pytest.approx(expected["edge_min_mm"], abs=1e-3), source
            assert edge.distances_mm.max() == pytest.approx(expected["y_max_mm"], abs=1e-3), source
            assert edge.distances_mm.min() == pytest.approx(expected["y_min_mm"], abs=1e-3), source
        return
    half = given["diameter_mm"] / 2
    if "min_edge_mm" in given:
        lens = round_lens(
            SpheroCylinder(bvp),
            given["diameter_mm"],
            front_power_dpt=f1,
            index=n,
            minimum_centre_mm=0.5,
            minimum_edge_mm=given["min_edge_mm"],
        )
        assert lens.centre_thickness_mm == close(expected["tc_mm"]), source
        assert lens.back.sphere_dpt == close(expected["F2_D"]), source
        assert lens.thickness_mm(half, 0) == close(given["min_edge_mm"]), source
        return
    lens = finished(given)
    assert lens.back.sphere_dpt == close(expected["F2_D"]), source
    assert radius_mm(f1, n) == close(expected["r1_mm"]), source
    assert -radius_mm(lens.back.sphere_dpt, n) == close(expected["r2_mm"]), source
    assert lens.thickness_mm(0, half) == close(expected["edge_mm"]), source
    edge_mm = edge_thickness_mm(f1, lens.back.sphere_dpt, given["tc_mm"], half, n)
    assert edge_mm == close(expected["edge_mm"]), source


WEIGHT_ROWS = [
    (
        1,
        {"F1_D": 4, "BVP_D": -4, "tc_mm": 2, "n": 1.498, "density_g_cm3": 1.32, "diameter_mm": 65},
        {"volume_mm3": 14352.155234, "mass_g": 18.944845},
        COMPUTED,
    ),
    (
        2,
        {"F1_D": 6.5, "BVP_D": 4, "tc_mm": 5, "n": 1.498, "density_g_cm3": 1.32, "diameter_mm": 60},
        {"volume_mm3": 9000.497402, "mass_g": 11.880657},
        COMPUTED,
    ),
    (
        3,
        {"F1_D": 2.5, "BVP_D": -6, "tc_mm": 1.5, "n": 1.6, "density_g_cm3": 1.3, "diameter_mm": 65},
        {"volume_mm3": 14215.920805, "mass_g": 18.480697},
        COMPUTED,
    ),
    (
        4,
        {"F1_D": 3, "BVP_D": -3, "tc_mm": 1.8, "n": 1.523, "density_g_cm3": 2.54, "diameter_mm": 60},
        {"volume_mm3": 8885.048374, "mass_g": 22.568023},
        COMPUTED,
    ),
    (
        5,
        {
            "F1_D": 3,
            "BVP_D": -5,
            "tc_mm": 1.5,
            "n": 1.6,
            "density_g_cm3": 1.3,
            "outline": "superellipse",
            "A_mm": 50,
            "B_mm": 36,
            "p": 2,
            "dec_x_mm": 3,
            "dec_y_mm": 0,
        },
        {"volume_mm3": 3610.463398, "area_mm2": 1413.716694, "mass_g": 4.693602},
        COMPUTED,
    ),
    (
        6,
        {
            "F1_D": 2,
            "BVP_D": -7,
            "tc_mm": 1.2,
            "n": 1.67,
            "density_g_cm3": 1.36,
            "outline": "superellipse",
            "A_mm": 54,
            "B_mm": 40,
            "p": 4,
            "dec_x_mm": 4,
            "dec_y_mm": 1,
        },
        {"volume_mm3": 6238.394019, "area_mm2": 2002.400651, "mass_g": 8.484216},
        COMPUTED,
    ),
    (
        7,
        {
            "F1_D": 6,
            "BVP_D": 3,
            "tc_mm": 4.5,
            "n": 1.498,
            "density_g_cm3": 1.32,
            "outline": "superellipse",
            "A_mm": 48,
            "B_mm": 38,
            "p": 2,
            "dec_x_mm": 2,
            "dec_y_mm": 0,
        },
        {"volume_mm3": 5434.167277, "area_mm2": 1432.56625, "mass_g": 7.173101},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), WEIGHT_ROWS)
def test_volume_and_weight(number: int, given: Row, expected: Row, source: str) -> None:
    if "outline" in given:
        outline = shape(given)
        assert outline.area_mm2 == pytest.approx(expected["area_mm2"], rel=1e-5), source
        volume = shaped_volume_mm3(finished(given), outline, **centre(given))
    else:
        f2 = back_surface_power(given["F1_D"], given["BVP_D"], given["tc_mm"], given["n"])
        volume = round_volume_mm3(given["F1_D"], f2, given["tc_mm"], given["diameter_mm"], given["n"])
        as_shape = shaped_volume_mm3(finished(given), Outline.circle(given["diameter_mm"], points=7200))
        assert as_shape == pytest.approx(volume, rel=1e-5), source
    assert volume == pytest.approx(expected["volume_mm3"], rel=1e-5), source
    assert weight_g(volume, given["density_g_cm3"]) == pytest.approx(expected["mass_g"], rel=1e-5), source


def test_row_counts_match_the_reference_tables() -> None:
    assert [len(table) for table in (THICKNESS_ROWS, WEIGHT_ROWS)] == [11, 7]


def toric(power: SpheroCylinder, index: float = 1.6) -> MeniscusLens:
    return MeniscusLens.of_back_vertex_power(power, front_power_dpt=4, centre_thickness_mm=2, index=index)


def test_toric_lens_is_spherical_along_its_principal_meridians() -> None:
    # Along a principal meridian the torus is the circle of that power: the spherical edge applies
    lens = toric(SpheroCylinder(-3, -2, 30))
    along, across = lens.back.principal_powers_dpt
    for meridian, back in ((30, along), (120, across)):
        x, y = 28 * np.cos(np.deg2rad(meridian)), 28 * np.sin(np.deg2rad(meridian))
        assert lens.thickness_mm(x, y) == pytest.approx(edge_thickness_mm(4, back, 2, 28, 1.6), abs=1e-9)


def test_toric_back_lies_on_the_torus_equation() -> None:
    # (sqrt(u^2 + (z - R)^2) - (R - r))^2 + v^2 = r^2 for the circle r along v swept on the radius R along u
    lens = toric(SpheroCylinder(-3, -2, 180))
    flat, steep = (-radius_mm(power, 1.6) for power in lens.back.principal_powers_dpt)
    u, v = 21.0, 13.0
    sag = lens.thickness_mm(u, v) - 2 + sagitta_mm(4, float(np.hypot(u, v)), 1.6)
    assert (np.hypot(u, sag - flat) - (flat - steep)) ** 2 + v**2 == pytest.approx(steep**2, rel=1e-12)


def test_thickness_does_not_depend_on_the_cylinder_form() -> None:
    power = SpheroCylinder(-3, -2, 30)
    outline = Outline.superellipse(54, 40, 3)
    one, two = edge_profile(toric(power), outline), edge_profile(toric(power.transposed()), outline)
    assert one.thickness_mm == pytest.approx(two.thickness_mm, abs=1e-12)


def test_thickest_edge_of_a_minus_cylinder_lies_across_its_axis() -> None:
    edge = edge_profile(toric(SpheroCylinder(-1, -3, 90)), Outline.circle(50))
    assert isinstance(edge, EdgeProfile)
    assert abs(edge.thickest_at_mm[0]) == pytest.approx(25)
    assert abs(edge.thinnest_at_mm[1]) == pytest.approx(25)


def test_plus_cylinder_keeps_its_edge_where_it_is_thinnest() -> None:
    outline = Outline.superellipse(52, 36, 2.6)
    power = SpheroCylinder(2, 3, 90)
    lens = lens_for_outline(
        power, outline, front_power_dpt=7, index=1.6, minimum_centre_mm=1, minimum_edge_mm=1.2, centre_x_mm=2
    )
    edge = edge_profile(lens, outline, centre_x_mm=2)
    assert edge.thinnest_mm == pytest.approx(1.2, abs=1e-9)
    assert lens.back_vertex_power.triple == pytest.approx(power.triple)
    assert abs(edge.thinnest_at_mm[0]) > 20


def test_minus_lens_keeps_its_minimum_centre() -> None:
    lens = lens_for_outline(
        SpheroCylinder(-4), Outline.circle(60), front_power_dpt=3, index=1.6, minimum_centre_mm=1.4, minimum_edge_mm=1
    )
    assert lens.centre_thickness_mm == 1.4


def test_ground_prism_is_a_wedge_toward_its_base() -> None:
    # Thin wedge: thickness difference = P / (100 (n - 1)) x width; 3 prism dioptres over 50 mm at n 1.5 are 3 mm
    lens = MeniscusLens(5, SpheroCylinder(-5), 4, 1.5, Prism(3, 0))
    assert lens.thickness_mm(25, 0) - lens.thickness_mm(-25, 0) == pytest.approx(3.0)
    assert lens.thickness_mm(0, 10) == pytest.approx(lens.thickness_mm(0, -10))


def test_ground_prism_keeps_the_minimum_everywhere_inside() -> None:
    # tc + k r^2 / 2 - slope r is thinnest at slope / k off the centre, by slope^2 / (2 k) (parabolic approximation)
    outline = Outline.circle(60)
    lens = lens_for_outline(
        SpheroCylinder(-2),
        outline,
        front_power_dpt=3,
        index=1.5,
        minimum_centre_mm=2,
        minimum_edge_mm=1,
        prism=Prism(4, 0),
    )
    grid = np.linspace(-29, 29, 233)
    thinnest = min(float(np.min(lens.thickness_mm(grid, np.full_like(grid, y)))) for y in (0.0, 1.0, -1.0))
    assert thinnest == pytest.approx(2, abs=2e-3)
    assert lens.centre_thickness_mm == pytest.approx(2 + 0.08**2 / (2 * 0.004), abs=0.05)


def test_lens_that_ends_before_the_outline_is_an_error() -> None:
    with pytest.raises(ImpossibleThickness):
        edge_thickness_mm(8, -2, 3, 30, 1.5)
    with pytest.raises(SurfaceTooSteep):
        edge_thickness_mm(8, -20, 3, 30, 1.5)
    with pytest.raises(ImpossibleThickness):
        edge_profile(toric(SpheroCylinder(6)), Outline.circle(60))
    with pytest.raises(SurfaceTooSteep):
        lens_for_outline(
            SpheroCylinder(-4),
            Outline.circle(80),
            front_power_dpt=14,
            index=1.5,
            minimum_centre_mm=1,
            minimum_edge_mm=1,
        )


def test_volume_of_a_plane_plate_is_area_times_thickness() -> None:
    plate = MeniscusLens(0, SpheroCylinder(0), 2.5, 1.5)
    outline = Outline.superellipse(50, 38, 3)
    assert shaped_volume_mm3(plate, outline, centre_x_mm=3) == pytest.approx(outline.area_mm2 * 2.5, rel=1e-12)
