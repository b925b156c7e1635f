"""Forms, power vectors, matrices, sums, effectivity and meridional power against published and computed rows.

Absolute tolerance 1e-5 throughout.
"""

from __future__ import annotations

from typing import Any

import pytest

from opticshop.optics import (
    SpheroCylinder,
    add_powers,
    blur_strength,
    crossed_cylinders,
    effective_power,
    effective_power_linear,
    effective_sphero_cylinder,
    from_power_matrix,
    from_power_vector,
    meridional_power,
    power_matrix,
    power_vector,
    spherical_equivalent,
    subtract_powers,
    to_minus_cylinder,
    toric_base_form,
    transpose,
)

Row = dict[str, Any]

COMPUTED = "computed from first principles, two routes agreeing"


def triple(row: Row) -> tuple[float, float, float]:
    return row["sph_D"], row["cyl_D"], row["axis_deg"]


TRANSPOSITION_ROWS = [
    (
        1,
        {"sph_D": 1.5, "cyl_D": -0.5, "axis_deg": 125},
        {"sph_D": 1, "cyl_D": 0.5, "axis_deg": 35},
        "NFOS opticianry course, module 8c, http://www.nfos.org/degree/opt11/module_08c.html",
    ),
    (
        2,
        {"sph_D": -1, "cyl_D": 1, "axis_deg": 80},
        {"sph_D": 0, "cyl_D": -1, "axis_deg": 170},
        (
            "NFOS opticianry course, module 8 practice answers, "
            "http://www.nfos.org/degree/opt11/practice_answers_08.html"
        ),
    ),
    (
        3,
        {"sph_D": 8.75, "cyl_D": -2.25, "axis_deg": 5},
        {"sph_D": 6.5, "cyl_D": 2.25, "axis_deg": 95},
        (
            "NFOS opticianry course, module 8 practice answers, "
            "http://www.nfos.org/degree/opt11/practice_answers_08.html"
        ),
    ),
    (
        4,
        {"sph_D": -16.75, "cyl_D": -2, "axis_deg": 179},
        {"sph_D": -18.75, "cyl_D": 2, "axis_deg": 89},
        (
            "NFOS opticianry course, module 8 practice answers, "
            "http://www.nfos.org/degree/opt11/practice_answers_08.html"
        ),
    ),
    (
        5,
        {"sph_D": -1, "cyl_D": -1, "axis_deg": 180},
        {"sph_D": -2, "cyl_D": 1, "axis_deg": 90},
        (
            "NFOS opticianry course, module 8 practice answers, "
            "http://www.nfos.org/degree/opt11/practice_answers_08.html"
        ),
    ),
    (
        6,
        {"sph_D": 2.5, "cyl_D": -1.5, "axis_deg": 170},
        {"sph_D": 1, "cyl_D": 1.5, "axis_deg": 80},
        ("Eye and Contacts, example 1, https://www.eyeandcontacts.com/2021/12/glasses-or-spectacle-power.html"),
    ),
    (7, {"sph_D": 0, "cyl_D": -0.5, "axis_deg": 90}, {"sph_D": -0.5, "cyl_D": 0.5, "axis_deg": 180}, COMPUTED),
    (
        8,
        {"sph_D": 2, "cyl_D": -3, "axis_deg": 30, "form": "crossed plano cylinders"},
        {"cyl1_D": -1, "axis1_deg": 30, "cyl2_D": 2, "axis2_deg": 120},
        COMPUTED,
    ),
    (
        9,
        {"sph_D": -1.5, "cyl_D": -0.75, "axis_deg": 100, "form": "crossed plano cylinders"},
        {"cyl1_D": -2.25, "axis1_deg": 100, "cyl2_D": -1.5, "axis2_deg": 10},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), TRANSPOSITION_ROWS)
def test_transposition(number: int, given: Row, expected: Row, source: str) -> None:
    if "form" in given:
        one, axis_one, two, axis_two = crossed_cylinders(*triple(given))
        assert {"cyl1_D": one, "axis1_deg": axis_one, "cyl2_D": two, "axis2_deg": axis_two} == expected, source
        return
    assert transpose(*triple(given)) == triple(expected), source
    assert transpose(*triple(expected)) == triple(given), source
    assert SpheroCylinder(*triple(given)).transposed() == SpheroCylinder(*triple(expected)), source


SPHERICAL_EQUIVALENT_ROWS = [
    (1, {"sph_D": -2, "cyl_D": -1.5, "axis_deg": 30}, {"M_D": -2.75}, COMPUTED),
    (2, {"sph_D": 1, "cyl_D": 2.25, "axis_deg": 90}, {"M_D": 2.125}, COMPUTED),
    (3, {"sph_D": -4.75, "cyl_D": -3.5, "axis_deg": 175}, {"M_D": -6.5}, COMPUTED),
    (4, {"sph_D": 0.5, "cyl_D": -1, "axis_deg": 45}, {"M_D": 0}, COMPUTED),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), SPHERICAL_EQUIVALENT_ROWS)
def test_spherical_equivalent(number: int, given: Row, expected: Row, source: str) -> None:
    assert spherical_equivalent(given["sph_D"], given["cyl_D"]) == expected["M_D"], source
    assert SpheroCylinder(*triple(given)).transposed().spherical_equivalent_dpt == expected["M_D"], source


POWER_VECTOR_ROWS = [
    (
        1,
        {"sph_D": 1, "cyl_D": -2, "axis_deg": 30},
        {"M": 0, "J0": 0.5, "J45": 0.866025, "B": 1, "f11": 0.5, "f12": 0.866025, "f22": -0.5},
        COMPUTED,
    ),
    (
        2,
        {"sph_D": -3, "cyl_D": -1.25, "axis_deg": 90},
        {"M": -3.625, "J0": -0.625, "J45": 0, "B": 3.678485, "f11": -4.25, "f12": 0, "f22": -3},
        COMPUTED,
    ),
    (
        3,
        {"sph_D": -2.5, "cyl_D": -0.75, "axis_deg": 180},
        {"M": -2.875, "J0": 0.375, "J45": 0, "B": 2.899353, "f11": -2.5, "f12": 0, "f22": -3.25},
        COMPUTED,
    ),
    (
        4,
        {"sph_D": 4, "cyl_D": -3, "axis_deg": 135},
        {"M": 2.5, "J0": 0, "J45": -1.5, "B": 2.915476, "f11": 2.5, "f12": -1.5, "f22": 2.5},
        COMPUTED,
    ),
    (
        5,
        {"sph_D": -1, "cyl_D": 2.5, "axis_deg": 20},
        {
            "M": 0.25,
            "J0": -0.957556,
            "J45": -0.803485,
            "B": 1.274755,
            "f11": -0.707556,
            "f12": -0.803485,
            "f22": 1.207556,
        },
        COMPUTED,
    ),
    (
        6,
        {"M": -2, "J0": 0.3, "J45": -0.4, "form": "minus cylinder"},
        {"sph_D": -1.5, "cyl_D": -1, "axis_deg": 153.434949},
        COMPUTED,
    ),
    (
        7,
        {"M": 1.5, "J0": -0.5, "J45": 0, "form": "minus cylinder"},
        {"sph_D": 2, "cyl_D": -1, "axis_deg": 90},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), POWER_VECTOR_ROWS)
def test_power_vector_and_matrix(number: int, given: Row, expected: Row, source: str) -> None:
    if "form" in given:
        vector = given["M"], given["J0"], given["J45"]
        assert from_power_vector(*vector) == pytest.approx(triple(expected), abs=1e-5), source
        return
    vector = power_vector(*triple(given))
    matrix = power_matrix(*triple(given))
    assert vector == pytest.approx([expected[key] for key in ("M", "J0", "J45")], abs=1e-5), source
    assert blur_strength(*vector) == pytest.approx(expected["B"], abs=1e-5), source
    assert matrix == pytest.approx([expected[key] for key in ("f11", "f12", "f22")], abs=1e-5), source
    minus = to_minus_cylinder(*triple(given))
    assert from_power_vector(*vector) == pytest.approx(minus, abs=1e-9), source
    assert from_power_matrix(*matrix) == pytest.approx(minus, abs=1e-9), source


CROSSED_ROWS = [
    (
        1,
        {"lens1": [0, 2, 30], "op": "+", "lens2": [0, 3, 60]},
        {"sph_D": 4.679449, "cyl_D": -4.358899, "axis_deg": 138.293388},
        COMPUTED,
    ),
    (
        2,
        {"lens1": [1, -2, 20], "op": "+", "lens2": [-0.5, -1.5, 75]},
        {"sph_D": -0.225564, "cyl_D": -2.048873, "axis_deg": 41.734353},
        COMPUTED,
    ),
    (
        3,
        {"lens1": [0, 2, 120], "op": "+", "lens2": [0, -2.25, 30]},
        {"sph_D": 2, "cyl_D": -4.25, "axis_deg": 30},
        (
            "Student Doctor forum worked answer, "
            "https://forums.studentdoctor.net/threads/help.116587/ (gives +2.00 -4.25 x 30)"
        ),
    ),
    (
        4,
        {"lens1": [1.75, 0.5, 45], "op": "+", "lens2": [-2.25, -1, 135]},
        {"sph_D": 0, "cyl_D": -1.5, "axis_deg": 135},
        (
            "The Indian Optician, May-June 2022 p.105, "
            "https://tionet.in/Mags/2022/May-June%202022/files/basic-html/"
            "page105.html (gives -1.50 DC x 135)"
        ),
    ),
    (
        5,
        {"lens1": [-3, -1.5, 170], "op": "minus", "lens2": [-2.75, -1, 15]},
        {"sph_D": 0.074812, "cyl_D": -1.149625, "axis_deg": 149.10728},
        COMPUTED,
    ),
    (6, {"lens1": [2, -1, 90], "op": "+", "lens2": [2, -1, 180]}, {"sph_D": 3, "cyl_D": 0, "axis_deg": 180}, COMPUTED),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), CROSSED_ROWS)
def test_obliquely_crossed_powers(number: int, given: Row, expected: Row, source: str) -> None:
    combine = add_powers if given["op"] == "+" else subtract_powers
    result = combine(tuple(given["lens1"]), tuple(given["lens2"]))
    assert result == pytest.approx(triple(expected), abs=1e-5), source


EFFECTIVITY_ROWS = [
    (
        1,
        {"power_D": -12, "vertex_from_mm": 10, "vertex_to_mm": 14},
        {"power_D": -12.605042},
        (
            "Study flashcards 'Spectacle mag', "
            "https://brainscape.com/flashcards/week-106-spectacle-mag-17752956/packs/22581192 (gives -12.61)"
        ),
    ),
    (2, {"power_D": 10, "vertex_from_mm": 12, "vertex_to_mm": 0}, {"power_D": 11.363636}, COMPUTED),
    (3, {"power_D": -6, "vertex_from_mm": 14, "vertex_to_mm": 0}, {"power_D": -5.535055}, COMPUTED),
    (
        4,
        {"power_D": 8, "vertex_from_mm": 12, "vertex_to_mm": 8},
        {"power_D": 8.264463},
        "textbook-type case; computed from first principles",
    ),
    (
        5,
        {
            "sph_D": -8,
            "cyl_D": -2,
            "axis_deg": 20,
            "vertex_from_mm": 12,
            "vertex_to_mm": 0,
            "form": "minus cylinder out",
        },
        {"sph_D": -7.29927, "cyl_D": -1.629301, "axis_deg": 20},
        COMPUTED,
    ),
    (
        6,
        {
            "sph_D": 10,
            "cyl_D": -3,
            "axis_deg": 75,
            "vertex_from_mm": 14,
            "vertex_to_mm": 0,
            "form": "minus cylinder out",
        },
        {"sph_D": 11.627907, "cyl_D": -3.867375, "axis_deg": 75},
        COMPUTED,
    ),
    (
        7,
        {
            "sph_D": -5,
            "cyl_D": -4,
            "axis_deg": 160,
            "vertex_from_mm": 13,
            "vertex_to_mm": 16,
            "form": "minus cylinder out",
        },
        {"sph_D": -5.076142, "cyl_D": -4.173601, "axis_deg": 160},
        COMPUTED,
    ),
    (
        8,
        {"sph_D": 6, "cyl_D": 2, "axis_deg": 90, "vertex_from_mm": 12, "vertex_to_mm": 9, "form": "minus cylinder out"},
        {"sph_D": 8.196721, "cyl_D": -2.086742, "axis_deg": 180},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), EFFECTIVITY_ROWS)
def test_effectivity(number: int, given: Row, expected: Row, source: str) -> None:
    vertices = given["vertex_from_mm"], given["vertex_to_mm"]
    if "power_D" in given:
        assert effective_power(given["power_D"], *vertices) == pytest.approx(expected["power_D"], abs=1e-5), source
        return
    moved = effective_sphero_cylinder(*triple(given), *vertices)
    assert to_minus_cylinder(*moved) == pytest.approx(triple(expected), abs=1e-5), source
    as_value = SpheroCylinder(*triple(given)).at_vertex(*vertices).to_minus_cylinder()
    assert as_value.triple == pytest.approx(triple(expected), abs=1e-5), source


MERIDIAN_ROWS = [
    (
        1,
        {"sph_D": -8, "cyl_D": -2, "axis_deg": 112, "meridian_deg": 180},
        {"power_D": -9.71934},
        ("Optician study notes, https://opticianstudy.com/powers-in-oblique-meridians-formula (-9.72)"),
    ),
    (
        2,
        {"sph_D": -4, "cyl_D": -0.75, "axis_deg": 48, "meridian_deg": 180},
        {"power_D": -4.414198},
        ("Optician study notes, https://opticianstudy.com/powers-in-oblique-meridians-formula (-4.41)"),
    ),
    (
        3,
        {"sph_D": 3, "cyl_D": -1.5, "axis_deg": 102, "meridian_deg": 90},
        {"power_D": 2.935159},
        (
            "OpticalEd study articles (B. McCardle, 2009), "
            "http://www.opticaled.com/articles/problem-solving/2009/11/oblique-meridian/ (+2.94)"
        ),
    ),
    (
        4,
        {"sph_D": -10.25, "cyl_D": -2.5, "axis_deg": 40, "meridian_deg": 180},
        {"power_D": -11.28294},
        "computed from first principles (page value is wrong, see above)",
    ),
    (
        5,
        {"sph_D": 2, "cyl_D": -5, "axis_deg": 90, "meridian_deg": 45},
        {"power_D": -0.5},
        "Low vision Q&A, https://lowvision.sakura.ne.jp/Q8.htm (-0.50)",
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), MERIDIAN_ROWS)
def test_power_along_a_meridian(number: int, given: Row, expected: Row, source: str) -> None:
    power = meridional_power(*triple(given), given["meridian_deg"])
    assert power == pytest.approx(expected["power_D"], abs=1e-5), source


def test_row_counts_match_the_reference_tables() -> None:
    tables = (TRANSPOSITION_ROWS, SPHERICAL_EQUIVALENT_ROWS, POWER_VECTOR_ROWS)
    assert [len(table) for table in tables] == [9, 4, 7]
    assert [len(table) for table in (CROSSED_ROWS, EFFECTIVITY_ROWS, MERIDIAN_ROWS)] == [6, 8, 5]


@pytest.mark.parametrize(
    ("power", "base", "sphere", "base_cylinder", "cross_cylinder"),
    [
        (SpheroCylinder(3, -1, 180), 6, -4, (6, 180), (7, 90)),
        (SpheroCylinder(-2, 1.5, 90), -6, 5.5, (-6, 90), (-7.5, 180)),
    ],
)
def test_toric_base_curve_transposition(
    power: SpheroCylinder,
    base: float,
    sphere: float,
    base_cylinder: tuple[float, float],
    cross_cylinder: tuple[float, float],
) -> None:
    # MRCOphth mock station, http://mrcophth.com/mock/mock10/stationthree.html
    form = toric_base_form(power, base)
    assert form.sphere_dpt == sphere
    assert (form.base_dpt, form.base_axis_deg) == base_cylinder
    assert (form.cross_dpt, form.cross_axis_deg) == cross_cylinder
    assert toric_base_form(power.transposed(), base) == form


def test_linear_effectivity_is_only_an_approximation() -> None:
    # F + d F^2 for +10.00 from 12 mm to 0: 10 + 0.012 x 100
    assert effective_power_linear(10, 12, 0) == pytest.approx(11.2)
    assert effective_power(10, 12, 0) > 11.36


def test_toric_effectivity_equals_the_matrix_form() -> None:
    # F' = (I - d F)^-1 F written out for a symmetric 2 x 2 matrix
    f11, f12, f22 = power_matrix(-8, -2, 20)
    shift = 0.012
    g11, g12, g22 = 1 - shift * f11, -shift * f12, 1 - shift * f22
    determinant = g11 * g22 - g12 * g12
    moved = (
        (g22 * f11 - g12 * f12) / determinant,
        (g22 * f12 - g12 * f22) / determinant,
        (g11 * f22 - g12 * f12) / determinant,
    )
    assert from_power_matrix(*moved) == pytest.approx(effective_sphero_cylinder(-8, -2, 20, 12, 0), abs=1e-9)


def test_equal_cylinders_a_little_apart_leave_twice_c_sine() -> None:
    # C_res = 2 C sin(dtheta) for the difference of equal cylinders dtheta apart
    _, residual, _ = subtract_powers((0, -2, 40), (0, -2, 45))
    assert residual == pytest.approx(-2 * 2 * 0.08715574274765817, abs=1e-9)
