"""Tilted lenses against published and computed rows (tolerance 1e-5)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from opticshop.optics import (
    Eye,
    SpheroCylinder,
    TiltModel,
    centre_drop_mm,
    combined_tilt,
    compensated_for_tilt,
    effective_tilted_power,
    power_to_order,
    tilt_factor,
    to_plus_cylinder,
)
from opticshop.optics.errors import OutOfRange

Row = dict[str, Any]

COMPUTED = "computed from first principles, two routes agreeing"


def tilts(given: Row) -> dict[str, float]:
    return {f"{given['kind']}_deg": given["tilt_deg"]}


def signed_like(sphere: float, power: tuple[float, float, float]) -> tuple[float, float, float]:
    """The cylinder form whose cylinder has the sign of the sphere, as Martin's formula gives it."""
    return power if sphere < 0 else to_plus_cylinder(*power)


TILT_ROWS = [
    (
        1,
        {"sph_D": 15, "tilt_deg": 10, "kind": "panto", "use_3_for_2n": True},
        {"sph_D": 15.150768, "cyl_D": 0.471056, "axis_deg": 180},
        (
            "Durham Tech opticianry course notes 'Lens tilt', "
            "http://courses.durhamtech.edu/opticianry/oph142/NFOS-12/lens_tilt.html (15.15, 0.47 x 180)"
        ),
    ),
    (
        2,
        {"sph_D": -15, "tilt_deg": 10, "kind": "panto", "use_3_for_2n": True},
        {"sph_D": -15.150768, "cyl_D": -0.471056, "axis_deg": 180},
        (
            "Durham Tech opticianry course notes 'Lens tilt', "
            "http://courses.durhamtech.edu/opticianry/oph142/NFOS-12/lens_tilt.html (15.15, 0.47 x 180)"
        ),
    ),
    (
        3,
        {"sph_D": -6, "tilt_deg": 12, "n": 1.498, "kind": "panto"},
        {
            "martin_sph_D": -6.08657,
            "martin_cyl_D": -0.274993,
            "axis_deg": 180,
            "exact_sph_D": -6.088601,
            "exact_cyl_D": -0.275085,
        },
        COMPUTED,
    ),
    (
        4,
        {"sph_D": -8, "tilt_deg": 18, "n": 1.586, "kind": "wrap"},
        {
            "martin_sph_D": -8.240836,
            "martin_cyl_D": -0.870008,
            "axis_deg": 90,
            "exact_sph_D": -8.253211,
            "exact_cyl_D": -0.871315,
        },
        COMPUTED,
    ),
    (
        5,
        {"sph_D": 5, "tilt_deg": 15, "n": 1.67, "kind": "wrap"},
        {
            "martin_sph_D": 5.10028,
            "martin_cyl_D": 0.366184,
            "axis_deg": 90,
            "exact_sph_D": 5.103703,
            "exact_cyl_D": 0.366429,
        },
        COMPUTED,
    ),
    (
        6,
        {"sph_D": -10, "tilt_deg": 8, "n": 1.74, "kind": "panto"},
        {
            "martin_sph_D": -10.055658,
            "martin_cyl_D": -0.198617,
            "axis_deg": 180,
            "exact_sph_D": -10.056178,
            "exact_cyl_D": -0.198627,
        },
        COMPUTED,
    ),
    (
        7,
        {"sph_D": -6, "cyl_D": 0, "axis_deg": 180, "tilt_deg": 12, "n": 1.5, "kind": "panto", "want": "power to order"},
        {"martin_order": [-5.659094, -0.25568, 90.0], "exact_order": [-5.65721, -0.255594, 90.0]},
        COMPUTED,
    ),
    (
        8,
        {"sph_D": -4, "cyl_D": -2, "axis_deg": 30, "tilt_deg": 15, "n": 1.6, "kind": "wrap", "want": "power to order"},
        {"martin_order": [-3.711768, -2.076159, 26.060425], "exact_order": [-3.709093, -2.074663, 26.060425]},
        COMPUTED,
    ),
    (
        9,
        {
            "sph_D": 3,
            "cyl_D": -1,
            "axis_deg": 75,
            "tilt_deg": 10,
            "n": 1.498,
            "kind": "panto",
            "want": "power to order",
        },
        {"martin_order": [2.886914, -0.911209, 73.828018], "exact_order": [2.886447, -0.911061, 73.828018]},
        COMPUTED,
    ),
    (
        10,
        {
            "sph_D": -8,
            "cyl_D": -1.5,
            "axis_deg": 160,
            "tilt_deg": 20,
            "n": 1.586,
            "kind": "wrap",
            "want": "power to order",
        },
        {"martin_order": [-6.872342, -2.210566, 168.358043], "exact_order": [-6.856775, -2.205559, 168.358043]},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), TILT_ROWS)
def test_tilt(number: int, given: Row, expected: Row, source: str) -> None:
    sphere, cylinder, axis = given["sph_D"], given.get("cyl_D", 0), given.get("axis_deg", 180)
    if "want" in given:
        for model in TiltModel:
            ordered = power_to_order(sphere, cylinder, axis, **tilts(given), index=given["n"], model=model)
            assert ordered == pytest.approx(expected[f"{model}_order"], abs=1e-5), source
            acting = effective_tilted_power(*ordered, **tilts(given), index=given["n"], model=model)
            assert acting[:2] == pytest.approx((sphere, cylinder), abs=1e-9), source
        return
    if "use_3_for_2n" in given:
        martin = effective_tilted_power(sphere, 0, 180, **tilts(given), index=1.5, model=TiltModel.MARTIN)
        wanted = expected["sph_D"], expected["cyl_D"], expected["axis_deg"]
        assert signed_like(sphere, martin) == pytest.approx(wanted, abs=1e-5), source
        return
    for model in TiltModel:
        acting = effective_tilted_power(sphere, 0, 180, **tilts(given), index=given["n"], model=model)
        wanted = expected[f"{model}_sph_D"], expected[f"{model}_cyl_D"], expected["axis_deg"]
        assert signed_like(sphere, acting) == pytest.approx(wanted, abs=1e-5), source


def test_row_count_matches_the_reference_table() -> None:
    assert len(TILT_ROWS) == 10


def test_two_tilts_make_one_of_acos_cos_cos() -> None:
    tilt, _ = combined_tilt(10, 20)
    expected = np.rad2deg(np.arccos(np.cos(np.deg2rad(10)) * np.cos(np.deg2rad(20))))
    assert tilt == pytest.approx(expected)


def test_tangential_meridian_lies_toward_the_lens_normal() -> None:
    # Right eye: the front normal points temporally and down, that is toward 180 to 270, meridian 0 to 90
    _, right = combined_tilt(10, 10, Eye.RIGHT)
    _, left = combined_tilt(10, 10, Eye.LEFT)
    assert 40 < right < 50
    assert left == pytest.approx(180 - right)
    assert combined_tilt(10, 0)[1] == pytest.approx(90)
    assert combined_tilt(0, 10)[1] == pytest.approx(0)


@pytest.mark.parametrize("model", list(TiltModel))
def test_right_and_left_tilt_are_mirror_images(model: TiltModel) -> None:
    right = power_to_order(-4, -2, 30, panto_deg=8, wrap_deg=15, index=1.6, eye=Eye.RIGHT, model=model)
    left = power_to_order(-4, -2, 150, panto_deg=8, wrap_deg=15, index=1.6, eye=Eye.LEFT, model=model)
    assert left == pytest.approx((right[0], right[1], 180 - right[2]))


def test_two_tilts_compensate_exactly() -> None:
    given = SpheroCylinder(-6, -1.25, 20)
    ordered = compensated_for_tilt(given, panto_deg=9, wrap_deg=12, index=1.67, eye=Eye.LEFT)
    acting = effective_tilted_power(*ordered.triple, panto_deg=9, wrap_deg=12, index=1.67, eye=Eye.LEFT)
    assert acting == pytest.approx(given.triple)


def test_no_tilt_changes_nothing() -> None:
    power = SpheroCylinder(2, 1, 45)
    assert compensated_for_tilt(power, index=1.5, eye=Eye.RIGHT) is power
    assert tilt_factor(0, 1.5) == 1


def test_martin_is_the_small_angle_form_of_the_exact_factor() -> None:
    assert tilt_factor(2, 1.6, TiltModel.MARTIN) == pytest.approx(tilt_factor(2, 1.6), abs=1e-6)


def test_centre_is_lowered_one_millimetre_for_two_degrees() -> None:
    assert centre_drop_mm(8) == 4


def test_tilts_beyond_reason_are_refused() -> None:
    with pytest.raises(OutOfRange):
        power_to_order(-4, 0, 180, wrap_deg=80, index=1.5)
