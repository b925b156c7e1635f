"""Sagitta, vertex powers and lens-clock readings against published and computed rows (tolerance 1e-5)."""

from __future__ import annotations

from typing import Any

import pytest

from opticshop.optics import (
    back_surface_power,
    back_vertex_power,
    clock_reading_dpt,
    equivalent_power,
    front_surface_power,
    front_vertex_power,
    radius_mm,
    sagitta_approximate_mm,
    sagitta_mm,
    surface_power_dpt,
    true_surface_power_dpt,
)
from opticshop.optics.errors import SingularPower, SurfaceTooSteep

Row = dict[str, Any]

COMPUTED = "computed from first principles, two routes agreeing"


def close(value: Any) -> Any:
    return pytest.approx(value, abs=1e-5)


SAGITTA_ROWS = [
    (
        1,
        {"surface_power_D": 6, "n": 1.53, "chord_mm": 50},
        {"r_mm": 88.333333, "sag_exact_mm": 3.611566, "sag_approx_mm": 3.537736},
        COMPUTED,
    ),
    (
        2,
        {"surface_power_D": 6, "n": 1.498, "chord_mm": 70},
        {"r_mm": 83, "sag_exact_mm": 7.740449, "sag_approx_mm": 7.379518},
        COMPUTED,
    ),
    (
        3,
        {"surface_power_D": -8.5, "n": 1.586, "chord_mm": 60},
        {"r_mm": 68.941176, "sag_exact_mm": 6.869558, "sag_approx_mm": 6.527304},
        COMPUTED,
    ),
    (
        4,
        {"surface_power_D": 4.25, "n": 1.6, "chord_mm": 65},
        {"r_mm": 141.176471, "sag_exact_mm": 3.791807, "sag_approx_mm": 3.740885},
        COMPUTED,
    ),
    (
        5,
        {"surface_power_D": 10, "n": 1.523, "chord_mm": 60},
        {"r_mm": 52.3, "sag_exact_mm": 9.459715, "sag_approx_mm": 8.604207},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), SAGITTA_ROWS)
def test_sagitta(number: int, given: Row, expected: Row, source: str) -> None:
    # The rows give depths and radii as magnitudes; the functions carry the sign of the power
    power, n, y = given["surface_power_D"], given["n"], given["chord_mm"] / 2
    sign = 1 if power > 0 else -1
    assert sign * radius_mm(power, n) == close(expected["r_mm"]), source
    assert sign * sagitta_mm(power, y, n) == close(expected["sag_exact_mm"]), source
    assert sign * sagitta_approximate_mm(power, y, n) == close(expected["sag_approx_mm"]), source


VERTEX_POWER_ROWS = [
    (
        1,
        {"F1_D": 10.25, "F2_D": -3, "t_mm": 4, "n": 1.586},
        {"BVP_D": 7.522006, "FVP_D": 7.272528, "Fe_D": 7.327554},
        (
            "OpticalEd study articles (B. McCardle, 2009), "
            "http://www.opticaled.com/articles/problem-solving/2009/11/back-vertex-power/ (+7.52)"
        ),
    ),
    (
        2,
        {"F1_D": 15, "F2_D": -6, "t_mm": 6.5, "n": 1.523},
        {"BVP_D": 10.025956, "FVP_D": 9.149808, "Fe_D": 9.38411},
        (
            "OpticalEd study articles (B. McCardle, 2009), "
            "http://www.opticaled.com/articles/problem-solving/2009/11/back-vertex-power/ (+10.03)"
        ),
    ),
    (
        3,
        {"F1_D": 6, "F2_D": -4, "t_mm": 3, "n": 1.498},
        {"BVP_D": 2.072973, "FVP_D": 2.031788, "Fe_D": 2.048064},
        COMPUTED,
    ),
    (
        4,
        {"F1_D": 2.5, "F2_D": -8.5, "t_mm": 1.2, "n": 1.67},
        {"BVP_D": -5.995501, "FVP_D": -5.948399, "Fe_D": -5.984731},
        COMPUTED,
    ),
    (
        5,
        {"F1_D": 9, "F2_D": -2.5, "t_mm": 5.8, "n": 1.6},
        {"BVP_D": 6.803528, "FVP_D": 6.522453, "Fe_D": 6.581563},
        COMPUTED,
    ),
    (6, {"F1_D": 6.5, "BVP_D": 4, "t_mm": 4.2, "n": 1.498}, {"F2_D": -2.620657}, COMPUTED),
    (7, {"F1_D": 3, "BVP_D": -6, "t_mm": 1.5, "n": 1.6}, {"F2_D": -9.008461}, COMPUTED),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), VERTEX_POWER_ROWS)
def test_vertex_powers(number: int, given: Row, expected: Row, source: str) -> None:
    f1, t, n = given["F1_D"], given["t_mm"], given["n"]
    if "F2_D" in expected:
        assert back_surface_power(f1, given["BVP_D"], t, n) == close(expected["F2_D"]), source
        assert front_surface_power(expected["F2_D"], given["BVP_D"], t, n) == close(f1), source
        return
    f2 = given["F2_D"]
    assert back_vertex_power(f1, f2, t, n) == close(expected["BVP_D"]), source
    assert front_vertex_power(f1, f2, t, n) == close(expected["FVP_D"]), source
    assert equivalent_power(f1, f2, t, n) == close(expected["Fe_D"]), source
    assert back_surface_power(f1, back_vertex_power(f1, f2, t, n), t, n) == pytest.approx(f2, abs=1e-12), source


CLOCK_ROWS = [
    (1, {"reading_D": 6, "n": 1.498, "clock_index": 1.53}, {"true_D": 5.637736, "radius_mm": 88.333333}, COMPUTED),
    (2, {"reading_D": 6, "n": 1.586, "clock_index": 1.53}, {"true_D": 6.633962, "radius_mm": 88.333333}, COMPUTED),
    (3, {"reading_D": -4.5, "n": 1.67, "clock_index": 1.53}, {"true_D": -5.688679, "radius_mm": -117.777778}, COMPUTED),
    (4, {"reading_D": 8.25, "n": 1.74, "clock_index": 1.53}, {"true_D": 11.518868, "radius_mm": 64.242424}, COMPUTED),
    (
        5,
        {"reading_D": -10, "n": 1.7, "clock_index": 1.523},
        {"true_D": -13.384321, "radius_mm": -52.3},
        (
            "Lens clock article (Wikipedia text at https://everything.explained.today/Lens_clock/"
            "): -3 and -7 D readings, n 1.7 -> -13.4 D total"
        ),
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), CLOCK_ROWS)
def test_lens_clock(number: int, given: Row, expected: Row, source: str) -> None:
    reading, n, clock = given["reading_D"], given["n"], given["clock_index"]
    true = true_surface_power_dpt(reading, n, clock)
    assert true == close(expected["true_D"]), source
    assert radius_mm(reading, clock) == close(expected["radius_mm"]), source
    assert radius_mm(true, n) == close(expected["radius_mm"]), source
    assert clock_reading_dpt(true, n, clock) == pytest.approx(reading), source


def test_row_counts_match_the_reference_tables() -> None:
    assert [len(table) for table in (SAGITTA_ROWS, VERTEX_POWER_ROWS, CLOCK_ROWS)] == [5, 7, 5]


def test_plane_surface_has_no_sagitta_and_no_radius() -> None:
    assert sagitta_mm(0, 30, 1.5) == 0
    with pytest.raises(SingularPower):
        radius_mm(0, 1.5)


def test_radius_and_power_are_inverse() -> None:
    assert surface_power_dpt(radius_mm(-8.5, 1.586), 1.586) == pytest.approx(-8.5)


@pytest.mark.parametrize("y", [52.3, 60.0])
def test_surface_ends_at_its_radius(y: float) -> None:
    # r = 52.3 mm (row 5 of the sagitta table)
    with pytest.raises(SurfaceTooSteep):
        sagitta_mm(10, y, 1.523)
    assert sagitta_mm(10, 52.299, 1.523) == pytest.approx(52.3, abs=0.4)


def test_front_surface_focusing_on_the_back_vertex_is_an_error() -> None:
    # 1 - (t/n) F1 = 0 for t/n = 0.01 m and F1 = 100 D
    with pytest.raises(SingularPower) as caught:
        back_vertex_power(100, -3, 15, 1.5)
    assert caught.value.field == "front_power_dpt"
    assert caught.value.code == "optics.singular_power"
