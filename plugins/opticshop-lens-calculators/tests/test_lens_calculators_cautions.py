"""Warnings: where figures can hurt someone the caution stands beside them, and customs are inputs, not constants."""

from __future__ import annotations

from typing import Any

import pytest
from opticshop_lens_calculators import CALCULATORS

PRISM = "prism_needs_a_registered_person"
SLAB_OFF = "imbalance_needs_a_registered_person"
DRIVING = "driving_rules_are_local"
CHANGED = "power_differs_from_prescription"


@pytest.mark.parametrize(
    "calculator",
    [one for one in CALCULATORS if one.topic == "prism" and "deviation" not in one.name],
    ids=lambda one: one.name,
)
def test_prism_comes_with_its_caution(calculator: Any) -> None:
    codes = {warning.code for warning in calculator.compute(calculator.example()).warnings}
    assert codes & {PRISM, SLAB_OFF}


@pytest.mark.parametrize(
    ("percent", "expected"),
    [
        (80, {DRIVING}),
        (75, {DRIVING}),
        (74.9, {DRIVING, "not_for_night_driving"}),
        (8.1, {DRIVING, "not_for_night_driving"}),
        (8, {DRIVING, "not_for_driving"}),
        (2, {DRIVING, "not_for_driving"}),
    ],
)
def test_tints_come_with_the_caution_for_driving(codes: Any, percent: float, expected: set[str]) -> None:
    # Edges of ISO 12312-1:2013 and the 75 % of the College of Optometrists guidance on tints and driving
    assert codes("tint-category", {"transmittance_percent": percent}) == expected


def test_other_tint_figures_come_with_it_too(codes: Any) -> None:
    assert codes("tints-combined", {"transmittances_percent": [90]}) == {DRIVING}
    assert codes("tints-combined", {"transmittances_percent": [90, 50]}) == {DRIVING, "not_for_night_driving"}
    assert codes("tints-combined", {"transmittances_percent": [15, 50]}) == {DRIVING, "not_for_driving"}
    assert codes("tint-thickness", {"transmittance_percent": 50, "from_mm": 2, "to_mm": 3}) == {DRIVING}


def test_slab_off_bounds_are_inputs(codes: Any) -> None:
    # 1.8 prism dioptres at 8 mm: study flashcards OPT-1156; 1.5 and 6: common practice, no source
    eyes = {
        "right": {"sphere_dpt": -3, "cylinder_dpt": -2, "axis_deg": 180},
        "left": {"sphere_dpt": -2.75, "cylinder_dpt": -2.5, "axis_deg": 90},
        "drop_mm": 8,
    }
    name = "reading-level-imbalance"
    assert codes(name, eyes) == {SLAB_OFF, "slab_off_usually_considered"}
    assert codes(name, {**eyes, "slab_from_pdpt": 2}) == {SLAB_OFF}
    assert codes(name, {**eyes, "slab_up_to_pdpt": 1.7}) == {SLAB_OFF, "beyond_usual_slab_off"}
    assert codes(name, {**eyes, "left": eyes["right"]}) == set()


def test_far_from_the_optical_centre_the_rule_is_called_approximate(codes: Any) -> None:
    near = {"sphere_dpt": -6, "eye": "right", "in_mm": 15}
    assert codes("prism-by-decentration", near) == {PRISM}
    assert codes("prism-by-decentration", {**near, "up_mm": 1}) == {PRISM, "far_from_optical_centre"}


def test_fringes_are_noticed_from_the_threshold_given(codes: Any) -> None:
    # 5 D at 10 mm with Abbe 30 and 58: 0.17 and 0.09, ABO advanced study guide; threshold 0.1: common practice
    lens = {"sphere_dpt": 5, "x_mm": 10}
    assert codes("chromatic-aberration", {**lens, "abbe": 30}) == {"fringes_usually_noticed"}
    assert codes("chromatic-aberration", {**lens, "abbe": 58}) == set()
    assert codes("chromatic-aberration", {**lens, "abbe": 58, "awareness_pdpt": 0.08}) == {"fringes_usually_noticed"}


def test_a_changed_power_is_said_to_differ_from_the_prescription(codes: Any) -> None:
    assert codes("vertex-compensation", {"sphere_dpt": -8, "from_mm": 12, "to_mm": 0}) == {CHANGED}
    assert codes("vertex-compensation", {"sphere_dpt": -8, "from_mm": 12, "to_mm": 12}) == set()
    tilted = {"sphere_dpt": -8, "eye": "right", "index": 1.6}
    assert codes("tilt-compensated-power", {**tilted, "wrap_deg": 10}) == {CHANGED}
    assert codes("tilt-compensated-power", {**tilted, "wrap_deg": 30}) == {CHANGED, "tilt_beyond_the_formula"}
    assert codes("tilt-compensated-power", tilted) == set()


def test_image_size_is_called_a_hint(run: Any) -> None:
    lens = {"back_vertex_power_dpt": 4, "front_power_dpt": 8, "thickness_mm": 4, "index": 1.498, "vertex_mm": 12}
    (warning,) = run("image-size-difference", {"right": lens, "left": lens}).warnings
    assert warning.code == "image_size_is_a_hint"
    assert "registered person" in warning.message


CUT = {"eye": "right", "outline": {"radii_mm": [25.0] * 720}, "in_mm": 3}


def test_a_cut_out_that_needs_a_move_comes_with_the_prism_caution(codes: Any) -> None:
    assert codes("blank-cut-out", {**CUT, "blank": {"diameter_mm": 56.1}}) == set()
    assert codes("blank-cut-out", {**CUT, "blank": {"diameter_mm": 54}}) == {"blank_fits_shifted", PRISM}
    assert codes("blank-cut-out", {**CUT, "blank": {"diameter_mm": 49}}) == {"blank_too_small"}


def test_a_halved_binocular_pd_is_said(codes: Any) -> None:
    frame = {"a_mm": 52, "dbl_mm": 18}
    assert codes("boxed-decentration", {**frame, "binocular_pd_mm": 64}) == {"binocular_pd_halved"}
    assert codes("boxed-decentration", {**frame, "mono_pd_mm": 32}) == set()


def pair(**changes: Any) -> dict[str, Any]:
    eye = {"sphere_dpt": -3, "mono_pd_mm": 32, "height_mm": 20}
    frame = {"a_mm": 52, "b_mm": 36, "dbl_mm": 18, "right_radii_mm": [26.0, 18.0] * 4}
    lens = {
        "index": 1.6,
        "abbe": 41,
        "density_g_cm3": 1.3,
        "diameter_mm": 75,
        "front_power_dpt": 3,
        "minimum_centre_mm": 1.5,
        "minimum_edge_mm": 1,
    }
    frame["right_radii_mm"] = [26, 25, 21, 18.5, 18, 18.5, 21, 25] * 2
    return {"right": eye, "left": eye, "frame": frame, "lens": lens} | changes


def test_a_quiet_pair_has_no_warnings_and_a_loud_one_names_lens_and_reason(run: Any, codes: Any) -> None:
    name = "pair-of-spectacles"
    assert codes(name, pair()) == set()
    loud = pair(
        right={"sphere_dpt": -8, "mono_pd_mm": 32},
        left={"sphere_dpt": -3, "mono_pd_mm": 32, "height_mm": 20, "base_in_pdpt": 1},
    )
    loud["lens"] = {**loud["lens"], "diameter_mm": 53}
    found = run(name, loud)
    assert {warning.code for warning in found.warnings} >= {
        "vertex_distance_unknown",
        "height_assumed",
        "anisometropia_reading_imbalance",
        PRISM,
        SLAB_OFF,
    }
    assert any(w.code == "height_assumed" and w.message.startswith("Right lens: ") for w in found.warnings)


def test_a_pair_moved_to_another_vertex_is_said_to_differ(codes: Any) -> None:
    eye = {"sphere_dpt": -8, "mono_pd_mm": 32, "height_mm": 20, "vertex_tested_mm": 14, "vertex_worn_mm": 11}
    assert codes("pair-of-spectacles", pair(right=eye, left=eye)) == {CHANGED}
