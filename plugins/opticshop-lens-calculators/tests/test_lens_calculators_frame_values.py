"""Centration, cut-out, near vision and whole-pair calculators against sourced values, named beside each row."""

from __future__ import annotations

from typing import Any

import pytest

COMPUTED = "computed from first principles"
QUIZ = "Free dispensing-optician course quiz answers, http://www.harisingh.com/newsOpticalPractice.htm"
FLASHCARDS = (
    "Study flashcards OPT-1156 Ophthalmic Lens II, "
    "https://brainscape.com/flashcards/opt-1156-ophthalmic-lens-ii-unit-1-2261801/packs/4023756"
)


@pytest.mark.parametrize(("a", "dbl", "pd", "inward"), [(54, 16, 62, 4), (50, 16, 66, 0), (58, 22, 64, 8)])
def test_decentration_from_a_binocular_pd(check: Any, a: float, dbl: float, pd: float, inward: float) -> None:
    # Source of each row: free dispensing-optician course quiz answers, see QUIZ
    outputs = {"in_mm": inward, "up_mm": 0, "boxed_centre_distance_mm": a + dbl, "distance_mm": inward}
    check("boxed-decentration", {"a_mm": a, "dbl_mm": dbl, "binocular_pd_mm": pd}, outputs)


EYES = [
    (52, 18, 36, 21, 55, 31.5, 3.5, 3, 64.219544),
    (52, 18, 36, 21, 55, 33, 2, 3, 62.211103),
    (49, 20, 40, 20, 52.5, 32, 2.5, 0, 57.5),
    (49, 20, 40, 20, 52.5, 30.5, 4, 0, 60.5),
]


@pytest.mark.parametrize(("a", "dbl", "b", "height", "ed", "pd", "inward", "up", "blank"), EYES)
def test_decentration_and_blank_of_one_eye(
    check: Any,
    a: float,
    dbl: float,
    b: float,
    height: float,
    ed: float,
    pd: float,
    inward: float,
    up: float,
    blank: float,
) -> None:
    # Source of each row: computed from first principles
    inputs = {"a_mm": a, "dbl_mm": dbl, "b_mm": b, "height_mm": height, "mono_pd_mm": pd}
    check("boxed-decentration", inputs, {"in_mm": inward, "up_mm": up})
    outputs = {"diameter_mm": blank, "in_mm": inward, "up_mm": up}
    check("minimum-blank-rule", {**inputs, "ed_mm": ed}, outputs)


@pytest.mark.parametrize(("a", "dbl", "pd", "ed", "blank"), [(58, 18, 68, 60, 68), (52, 20, 60, 54, 66)])
def test_minimum_blank_by_rule(check: Any, a: float, dbl: float, pd: float, ed: float, blank: float) -> None:
    # Source of each row: QUIZ (theoretical value); the 2 mm: https://brainscape.com/flashcards/unit-6-7-dispensing-
    # and-fabrication-13778781/packs/21400064
    inputs = {"a_mm": a, "dbl_mm": dbl, "binocular_pd_mm": pd, "ed_mm": ed}
    check("minimum-blank-rule", inputs, {"diameter_mm": blank})
    check("minimum-blank-rule", {**inputs, "allowance_mm": 2}, {"diameter_mm": blank + 2})


@pytest.mark.parametrize(
    ("a", "b", "exponent", "inward", "up", "ed", "rule", "exact"),
    [
        (50, 36, 2, 3, 2, 50, 57.211103, 56.265273),
        (54, 40, 4, 4, 0, 57.6725, 65.6725, 64.850611),
        (52, 38, 3, 2.5, 3, 53.243165, 61.053415, 60.288742),
    ],
)
@pytest.mark.parametrize("eye", ["right", "left"])
def test_exact_blank_of_a_superellipse(
    check: Any,
    eye: str,
    a: float,
    b: float,
    exponent: float,
    inward: float,
    up: float,
    ed: float,
    rule: float,
    exact: float,
) -> None:
    # Source of each row: computed from first principles (tolerance abs = 0.001)
    outline = {"a_mm": a, "b_mm": b, "exponent": exponent}
    measures = {"effective_diameter_mm": ed, "a_mm": a, "b_mm": b}
    check("outline-measures", {"outline": outline}, measures, 0.001)
    place = {"eye": eye, "outline": outline, "in_mm": inward, "up_mm": up}
    outputs = {"required_diameter_mm": exact, "rule_of_thumb_mm": rule}
    check("blank-cut-out", {**place, "blank": {"diameter_mm": exact + 0.002}}, {**outputs, "fits": True}, 0.001)
    check("blank-cut-out", {**place, "blank": {"diameter_mm": exact - 0.002}}, {**outputs, "fits": False}, 0.001)


def test_a_traced_ellipse_measures_as_the_superellipse(check: Any) -> None:
    # Topic 10 row 8 and topic 14 row 5 of the reference file: A 50, B 36, p 2 has ED 50 and, to 1e-5, area 1413.716694
    from math import cos, pi, sin

    angles = [2 * pi * step / 3600 for step in range(3600)]
    radii = [1 / ((cos(angle) / 25) ** 2 + (sin(angle) / 18) ** 2) ** 0.5 for angle in angles]
    outputs = {"effective_diameter_mm": 50, "area_mm2": 1413.716694, "superellipse_exponent": None}
    check("outline-measures", {"outline": {"radii_mm": radii}}, outputs, 0.02)


def test_the_shortest_move_into_a_blank_and_its_prism(check: Any) -> None:
    # By hand: a circle of 50 mm, 3 mm in, reaches 25 + 3 from the optical centre, 1 mm more than a blank of 54; moved
    # 1 mm outward it fits, and a -5.00 lens moved so makes 0.5 base in (Prentice)
    circle = {"radii_mm": [25.0] * 3600}
    inputs = {
        "eye": "left",
        "outline": circle,
        "in_mm": 3,
        "blank": {"diameter_mm": 54},
        "power": {"sphere_dpt": -5},
    }
    outputs = {"fits": False, "fits_when_moved": True, "clearance_mm": -1, "move_in_mm": -1, "move_up_mm": 0}
    check("blank-cut-out", inputs, outputs, 1e-4)
    check("blank-cut-out", inputs, {"prism_when_moved": {"base_in_pdpt": 0.5}, "smallest_diameter_mm": 50}, 1e-4)


def test_a_blank_decentred_the_right_way_needs_no_move(check: Any) -> None:
    # The same circle and blank, its middle 3 mm outward of its optical centre (by hand): 27 - 25 = 2 mm all round
    circle = {"radii_mm": [25.0] * 3600}
    blank = {"diameter_mm": 54, "middle_in_mm": -3}
    for eye in ("right", "left"):
        inputs = {"eye": eye, "outline": circle, "in_mm": 3, "blank": blank, "margin_mm": 0.5}
        check("blank-cut-out", inputs, {"fits": True, "clearance_mm": 1.5, "move_mm": None}, 1e-4)


@pytest.mark.parametrize(
    ("pd", "distance", "centre", "power", "inset", "near"),
    [
        (32, 400, 27, 0, 2.023419, 29.976581),
        (31, 350, 27, 6, 2.613175, 28.386825),
        (33.5, 400, 27, -8, 1.761784, 31.738216),
        (30, 333, 25, 0, 2.094972, 27.905028),
    ],
)
def test_near_centration(
    check: Any, pd: float, distance: float, centre: float, power: float, inset: float, near: float
) -> None:
    # Source of each row: computed from first principles
    inputs = {
        "mono_pd_mm": pd,
        "working_distance_mm": distance,
        "rotation_centre_mm": centre,
        "power_dpt": power,
    }
    check("near-centration", inputs, {"inset_mm": inset, "mono_near_pd_mm": near})


@pytest.mark.parametrize(
    ("a", "dbl", "pd", "near", "b", "height", "insets", "raised"),
    [
        (52, 18, 64, 60, 40, 18, (3, 2, 5), -2),
        (54, 16, 66, 62, 38, 21, (2, 2, 4), 2),
        (50, 20, 62, 58, 46, 19, (4, 2, 6), -4),
    ],
)
def test_segment_placement(
    check: Any, a: float, dbl: float, pd: float, near: float, b: float, height: float, insets: Any, raised: float
) -> None:
    # Source of each row: computed from first principles
    inputs = {
        "a_mm": a,
        "dbl_mm": dbl,
        "b_mm": b,
        "mono_pd_mm": pd / 2,
        "mono_near_pd_mm": near / 2,
        "segment_height_mm": height,
    }
    names = ("distance_inset_mm", "segment_inset_mm", "total_inset_mm")
    check("segment-placement", inputs, {**dict(zip(names, insets, strict=True)), "segment_raise_mm": raised})


@pytest.mark.parametrize(("b", "height", "raised"), [(52, 23, -3), (48, 24, 0)])
def test_segment_raise(check: Any, b: float, height: float, raised: float) -> None:
    # Source of both rows: QUIZ (3 below; 0)
    inputs = {
        "a_mm": 55,
        "dbl_mm": 18,
        "b_mm": b,
        "mono_pd_mm": 32,
        "mono_near_pd_mm": 30,
        "segment_height_mm": height,
    }
    check("segment-placement", inputs, {"segment_raise_mm": raised})


@pytest.mark.parametrize(
    ("addition", "distance", "jump", "source"),
    [(3, 5, 1.5, f"{FLASHCARDS} (flat-top, 5 mm; 1.5)"), (2.25, 11, 2.475, COMPUTED)],
)
def test_image_jump(check: Any, addition: float, distance: float, jump: float, source: str) -> None:
    check("image-jump", {"addition_dpt": addition, "top_to_centre_mm": distance}, {"jump_pdpt": jump})


PAIR_LENS = {
    "index": 1.6,
    "abbe": 41,
    "density_g_cm3": 1.3,
    "diameter_mm": 70,
    "front_power_dpt": 3,
    "minimum_centre_mm": 1.5,
    "minimum_edge_mm": 1,
}


def pair(right: dict[str, Any], left: dict[str, Any], **changes: Any) -> dict[str, Any]:
    frame = {"a_mm": 52, "b_mm": 36, "dbl_mm": 18, "ed_mm": 55}
    sizes = {"frame": frame, "lens": PAIR_LENS}
    measured = {"height_mm": 21.0}
    return sizes | {
        "right": {**measured, "mono_pd_mm": 31.5, **right},
        "left": {**measured, "mono_pd_mm": 33.0, **left},
        **changes,
    }


def test_a_pair_is_centred_as_the_boxing_row_says(check: Any) -> None:
    # Topic 10 row 6 of the reference file, computed from first principles
    outputs = {
        "right": {"centration_in_mm": 3.5, "centration_up_mm": 3, "minimum_blank_rule_mm": 64.219544},
        "left": {"centration_in_mm": 2, "centration_up_mm": 3, "minimum_blank_rule_mm": 62.211103},
    }
    check("pair-of-spectacles", pair({"sphere_dpt": -3}, {"sphere_dpt": -3}), outputs)


def test_a_pair_moves_powers_to_the_worn_vertex(check: Any) -> None:
    # Topic 5 rows 5 and 7 of the reference file, computed from first principles
    right = {"sphere_dpt": -8, "cylinder_dpt": -2, "axis_deg": 20, "vertex_tested_mm": 12, "vertex_worn_mm": 0}
    left = {"sphere_dpt": -5, "cylinder_dpt": -4, "axis_deg": 160, "vertex_tested_mm": 13, "vertex_worn_mm": 16}
    outputs = {
        "right": {"power_worn": {"sphere_dpt": -7.29927, "cylinder_dpt": -1.629301, "axis_deg": 20}},
        "left": {"power_worn": {"sphere_dpt": -5.076142, "cylinder_dpt": -4.173601, "axis_deg": 160}},
    }
    check("pair-of-spectacles", pair(right, left), outputs)


def test_a_pair_tells_of_its_reading_level(check: Any) -> None:
    # Topic 17 row 1 of the reference file: Study flashcards OPT-1156 Ophthalmic Lens II (1.8; base up R)
    right = {"sphere_dpt": -3, "cylinder_dpt": -2, "axis_deg": 180}
    left = {"sphere_dpt": -2.75, "cylinder_dpt": -2.5, "axis_deg": 90}
    outputs = {"slab_pdpt": 1.8, "slab_eye": "right", "right_up_reading_pdpt": -4, "left_up_reading_pdpt": -2.2}
    check("pair-of-spectacles", pair(right, left, limits={"reading_drop_mm": 8}), outputs)


def test_a_pair_made_of_the_thickness_row(check: Any) -> None:
    # Topic 13 row 8 and topic 14 row 5 of the reference file (A 50, B 36, ED 50: an ellipse; 3 mm in, on the line):
    # thickest edge 4.959189, thinnest 2.840518, weight 4.693602 for density 1.3; computed from first principles
    frame = {"a_mm": 50, "b_mm": 36, "dbl_mm": 18, "ed_mm": 50}
    eye = {"sphere_dpt": -5, "mono_pd_mm": 31, "height_mm": 18}
    one = {"thickest_edge_mm": 4.959189, "thinnest_edge_mm": 2.840518, "weight_g": 4.693602, "assumed_exponent": 2}
    outputs = {"right": one, "left": one, "weight_g": 9.387204}
    check("pair-of-spectacles", {"right": eye, "left": eye, "frame": frame, "lens": PAIR_LENS}, outputs, 0.001)


def test_a_pair_names_its_induced_prism(check: Any) -> None:
    # Topic 9 row 3 of the reference file: optical centres 1.5 mm out; computed from first principles
    right = {"sphere_dpt": -5, "cylinder_dpt": -1, "axis_deg": 90, "centre_shift_in_mm": -1.5}
    left = {"sphere_dpt": -3, "cylinder_dpt": -2, "axis_deg": 180, "centre_shift_in_mm": -1.5}
    outputs = {
        "right": {"induced_prism": {"base_in_pdpt": 0.9}},
        "left": {"induced_prism": {"base_in_pdpt": 0.45}},
        "induced_prism": {"base_in_pdpt": 1.35, "right_up_pdpt": 0},
    }
    check("pair-of-spectacles", pair(right, left), outputs)
