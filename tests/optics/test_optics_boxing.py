"""The boxing system against published and computed rows. Absolute tolerance 1e-5 unless a row says otherwise."""

from __future__ import annotations

from typing import Any

import pytest

from opticshop.optics import (
    BoxedFrame,
    Decentration,
    Eye,
    Outline,
    boxed_centre_distance_mm,
    decentration_in_binocular_mm,
    decentration_in_mm,
    decentration_up_mm,
    minimum_blank_exact_mm,
    minimum_blank_mm,
)
from opticshop.optics.errors import OutOfRange

Row = dict[str, Any]

COMPUTED = "computed from first principles, two routes agreeing"

BOXING_ROWS = [
    (
        1,
        {"A_mm": 54, "DBL_mm": 16, "PD_mm": 62},
        {"dec_in_per_eye_mm": 4},
        ("Free dispensing-optician course quiz answers, http://www.harisingh.com/newsOpticalPractice.htm"),
    ),
    (
        2,
        {"A_mm": 50, "DBL_mm": 16, "PD_mm": 66},
        {"dec_in_per_eye_mm": 0},
        ("Free dispensing-optician course quiz answers, http://www.harisingh.com/newsOpticalPractice.htm"),
    ),
    (
        3,
        {"A_mm": 58, "DBL_mm": 22, "PD_mm": 64},
        {"dec_in_per_eye_mm": 8},
        ("Free dispensing-optician course quiz answers, http://www.harisingh.com/newsOpticalPractice.htm"),
    ),
    (
        4,
        {"A_mm": 58, "DBL_mm": 18, "PD_mm": 68, "ED_mm": 60},
        {"MBS_mm": 68, "MBS_plus2_mm": 70},
        (
            "Free dispensing-optician course quiz answers, "
            "http://www.harisingh.com/newsOpticalPractice.htm (theoretical value, without the 2 mm)"
        ),
    ),
    (
        5,
        {"A_mm": 52, "DBL_mm": 20, "PD_mm": 60, "ED_mm": 54},
        {"MBS_mm": 66, "MBS_plus2_mm": 68},
        (
            "Free dispensing-optician course quiz answers, "
            "http://www.harisingh.com/newsOpticalPractice.htm (theoretical value, without the 2 mm)"
        ),
    ),
    (
        6,
        {"A_mm": 52, "DBL_mm": 18, "monoPD_R_mm": 31.5, "monoPD_L_mm": 33, "B_mm": 36, "oc_height_mm": 21, "ED_mm": 55},
        {"dec_in_R": 3.5, "dec_in_L": 2, "dec_up": 3, "MBS_R": 64.219544, "MBS_L": 62.211103},
        COMPUTED,
    ),
    (
        7,
        {
            "A_mm": 49,
            "DBL_mm": 20,
            "monoPD_R_mm": 32,
            "monoPD_L_mm": 30.5,
            "B_mm": 40,
            "oc_height_mm": 20,
            "ED_mm": 52.5,
        },
        {"dec_in_R": 2.5, "dec_in_L": 4, "dec_up": 0, "MBS_R": 57.5, "MBS_L": 60.5},
        COMPUTED,
    ),
    (
        8,
        {"outline": "superellipse", "A_mm": 50, "B_mm": 36, "p": 2, "dec_x_mm": 3, "dec_y_mm": 2},
        {"ED_mm": 50, "MBS_upper_mm": 57.211103, "MBS_exact_mm": 56.265273},
        COMPUTED,
    ),
    (
        9,
        {"outline": "superellipse", "A_mm": 54, "B_mm": 40, "p": 4, "dec_x_mm": 4, "dec_y_mm": 0},
        {"ED_mm": 57.6725, "MBS_upper_mm": 65.6725, "MBS_exact_mm": 64.850611},
        COMPUTED,
    ),
    (
        10,
        {"outline": "superellipse", "A_mm": 52, "B_mm": 38, "p": 3, "dec_x_mm": 2.5, "dec_y_mm": 3},
        {"ED_mm": 53.243165, "MBS_upper_mm": 61.053415, "MBS_exact_mm": 60.288742},
        COMPUTED,
    ),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), BOXING_ROWS)
def test_boxing(number: int, given: Row, expected: Row, source: str) -> None:
    if "outline" in given:
        outline = Outline.superellipse(given["A_mm"], given["B_mm"], given["p"], points=7200)
        x, y = given["dec_x_mm"], given["dec_y_mm"]
        ed = outline.effective_diameter_mm
        assert ed == pytest.approx(expected["ED_mm"], abs=1e-3), source
        assert minimum_blank_mm(ed, x, y) == pytest.approx(expected["MBS_upper_mm"], abs=1e-3), source
        exact = minimum_blank_exact_mm(outline, x, y)
        assert exact == pytest.approx(expected["MBS_exact_mm"], abs=1e-3), source
        assert exact <= minimum_blank_mm(ed, x, y), source
        return
    a, dbl = given["A_mm"], given["DBL_mm"]
    if "PD_mm" in given:
        inward = decentration_in_binocular_mm(a, dbl, given["PD_mm"])
        if "dec_in_per_eye_mm" in expected:
            assert inward == pytest.approx(expected["dec_in_per_eye_mm"], abs=1e-5), source
            return
        assert minimum_blank_mm(given["ED_mm"], inward) == pytest.approx(expected["MBS_mm"], abs=1e-5), source
        with_allowance = minimum_blank_mm(given["ED_mm"], inward, allowance_mm=2)
        assert with_allowance == pytest.approx(expected["MBS_plus2_mm"], abs=1e-5), source
        return
    up = decentration_up_mm(given["oc_height_mm"], given["B_mm"])
    assert up == pytest.approx(expected["dec_up"], abs=1e-5), source
    for side in "RL":
        inward = decentration_in_mm(a, dbl, given[f"monoPD_{side}_mm"])
        assert inward == pytest.approx(expected[f"dec_in_{side}"], abs=1e-5), source
        blank = minimum_blank_mm(given["ED_mm"], inward, up)
        assert blank == pytest.approx(expected[f"MBS_{side}"], abs=1e-5), source


def test_row_count_matches_the_reference_table() -> None:
    assert len(BOXING_ROWS) == 10


def test_boxed_centre_distance_is_frame_pd() -> None:
    assert boxed_centre_distance_mm(52, 18) == BoxedFrame(52, 36, 18).boxed_centre_distance_mm == 70


def test_inward_is_toward_the_nose_of_either_eye() -> None:
    assert Decentration(3, 1).x_mm(Eye.RIGHT) == 3
    assert Decentration(3, 1).x_mm(Eye.LEFT) == -3


@pytest.mark.parametrize(
    ("sizes", "field"),
    [
        ((0, 36, 18), "a_mm"),
        ((52, -1, 18), "b_mm"),
        ((52, 36, 0), "dbl_mm"),
        ((52, 36, 18, 51), "ed_mm"),
        ((52, 36, 18, 64), "ed_mm"),
    ],
)
def test_impossible_frames_are_refused(sizes: tuple[float, ...], field: str) -> None:
    # ED lies between the longer side and the diagonal, here 52 and 63.25
    with pytest.raises(OutOfRange) as caught:
        BoxedFrame(*sizes)
    assert caught.value.field == field
