"""Tints and the material table against published values (tolerance 1e-5)."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from opticshop.optics import (
    MATERIAL_BY_KEY,
    MATERIALS,
    TINT_CATEGORIES,
    Confidence,
    Material,
    Outline,
    SpheroCylinder,
    density,
    internal_transmittance,
    rank_materials,
    stacked_transmittance,
    suits_night_driving,
    surface_reflectance,
    tint_category,
    transmittance,
    uncoated_transmittance,
    welding_shade,
)
from opticshop.optics.errors import ImpossibleThickness, InvalidNumber, OutOfRange

Row = dict[str, Any]

COMPUTED = "computed from first principles, two routes agreeing"


def close(value: Any) -> Any:
    return pytest.approx(value, abs=1e-5)


TINT_ROWS = [
    (
        1,
        {"T": 0.5},
        {"density": 0.30103, "category": 1, "shade": 1.702403},
        "http://cgrebel.com/2010/08/nd-filters/ (density 0.3 = half)",
    ),
    (2, {"T": 0.15}, {"density": 0.823909, "category": 3, "shade": 2.922454}, COMPUTED),
    (3, {"T": 0.8}, {"density": 0.09691, "category": 1, "shade": 1.226123}, COMPUTED),
    (4, {"T": 0.085}, {"density": 1.070581, "category": 3, "shade": 3.498023}, COMPUTED),
    (5, {"density": 0.3}, {"T_percent": 50.118723}, COMPUTED),
    (6, {"density": 0.9}, {"T_percent": 12.589254}, COMPUTED),
    (7, {"density": 2}, {"T_percent": 1}, COMPUTED),
    (
        8,
        {"n": 1.498, "clear_uncoated": True},
        {"R_surface": 0.039744, "T_first_order": 0.922091, "T_all_reflections": 0.92355},
        COMPUTED,
    ),
    (
        9,
        {"n": 1.586, "clear_uncoated": True},
        {"R_surface": 0.05135, "T_first_order": 0.899937, "T_all_reflections": 0.902317},
        COMPUTED,
    ),
    (
        10,
        {"n": 1.74, "clear_uncoated": True},
        {"R_surface": 0.072939, "T_first_order": 0.859441, "T_all_reflections": 0.864038},
        COMPUTED,
    ),
    (11, {"Ti": 0.3, "t1_mm": 2, "t2_mm": 3.5}, {"Ti2": 0.121608}, COMPUTED),
]


@pytest.mark.parametrize(("number", "given", "expected", "source"), TINT_ROWS)
def test_tint(number: int, given: Row, expected: Row, source: str) -> None:
    if "T" in given:
        category = tint_category(100 * Decimal(str(given["T"])))
        assert category is not None
        assert density(given["T"]) == close(expected["density"]), source
        assert category.number == expected["category"], source
        assert welding_shade(given["T"]) == close(expected["shade"]), source
    elif "density" in given:
        assert 100 * transmittance(given["density"]) == close(expected["T_percent"]), source
    elif "Ti" in given:
        ti2 = internal_transmittance(given["Ti"], given["t1_mm"], given["t2_mm"])
        assert ti2 == close(expected["Ti2"]), source
    else:
        n = given["n"]
        assert surface_reflectance(n) == close(expected["R_surface"]), source
        assert uncoated_transmittance(n, all_reflections=False) == close(expected["T_first_order"]), source
        assert uncoated_transmittance(n) == close(expected["T_all_reflections"]), source


def test_row_count_matches_the_reference_table() -> None:
    assert len(TINT_ROWS) == 11


@pytest.mark.parametrize(
    ("percent", "number"),
    [
        ("100", 0),
        ("80.1", 0),
        ("80", 1),
        ("43.1", 1),
        ("43", 2),
        ("18.1", 2),
        ("18", 3),
        ("8.1", 3),
        ("8", 4),
        ("3.1", 4),
    ],
)
def test_category_edges_belong_to_the_darker_class(percent: str, number: int) -> None:
    # ISO 12312-1:2013; confirmed by College of Optometrists guidance (tolerance reference, section 5)
    category = tint_category(percent)
    assert category is not None
    assert category.number == number
    assert category.band.confidence is Confidence.CONFIRMED


def test_three_percent_and_less_is_outside_the_classes() -> None:
    assert tint_category(3) is None
    assert tint_category(0) is None


def test_category_four_is_not_for_driving() -> None:
    assert {category.number: category.suits_driving for category in TINT_CATEGORIES} == {
        4: False,
        3: True,
        2: True,
        1: True,
        0: True,
    }


@pytest.mark.parametrize(("percent", "suits"), [("75", True), ("74.9", False)])
def test_night_driving_needs_three_quarters(percent: str, suits: bool) -> None:
    # Twilight or night: 75 % or more is needed; College of Optometrists guidance
    assert suits_night_driving(percent) is suits


def test_a_float_percentage_is_read_as_it_is_written() -> None:
    category = tint_category(8.0)
    assert category is not None
    assert category.number == 4
    with pytest.raises(InvalidNumber):
        tint_category(float("nan"))
    with pytest.raises(OutOfRange):
        tint_category(101)


def test_densities_of_stacked_absorbers_add() -> None:
    # OD 1 + OD 2 = OD 3, https://optowiki.info/glossary/optical-density/
    assert density(stacked_transmittance(transmittance(1), transmittance(2))) == pytest.approx(3)


SOURCE_A = "High-index lens materials: past, present, future, Vision Care Product News"
MATERIAL_ROWS = [
    # key, nd, ne, Abbe, density, source
    ("adc-1.50", 1.498, 1.502, 58, 1.32, "index: BHVI chapter; Abbe and density: " + SOURCE_A),
    ("polycarbonate-1.59", 1.586, None, 30, 1.20, SOURCE_A),
    ("urethane-1.53", 1.532, None, 44, 1.11, SOURCE_A + "; index: igateoptics"),
    ("thiourethane-1.60-v41", 1.592, 1.60, 41, 1.30, SOURCE_A + "; ne: property comparison [B]"),
    ("thiourethane-1.60-v36", 1.595, None, 36, 1.34, SOURCE_A),
    ("thiourethane-1.67-d135", 1.658, 1.67, 32, 1.35, SOURCE_A + "; [B]"),
    ("thiourethane-1.67-d137", 1.661, 1.67, 32, 1.37, SOURCE_A + "; [B]"),
    ("episulfide-1.74", 1.732, 1.74, 33, 1.47, SOURCE_A + "; [B]"),
    ("crown-1.52", 1.523, None, 59, 2.54, SOURCE_A),
]


@pytest.mark.parametrize(("key", "index", "index_e", "abbe", "density_g_cm3", "source"), MATERIAL_ROWS)
def test_material_table(
    key: str, index: float, index_e: float | None, abbe: float, density_g_cm3: float, source: str
) -> None:
    material = MATERIAL_BY_KEY[key]
    got = (material.index, material.index_e, material.abbe, material.density_g_cm3)
    assert got == (index, index_e, abbe, density_g_cm3), source
    assert material.source
    assert material.confidence is not Confidence.CONFIRMED


def test_material_table_is_complete_and_keys_are_unique() -> None:
    assert len(MATERIALS) == len(MATERIAL_BY_KEY) == len(MATERIAL_ROWS) == 9


SHAPE = Outline.superellipse(52, 38, 2.8)


def rank(power: float, **changes: Any) -> Any:
    options = {"base_curve_dpt": 4, "minimum_centre_mm": 1.5, "minimum_edge_mm": 1.0, "centre_x_mm": 3} | changes
    return rank_materials(SpheroCylinder(power), SHAPE, MATERIALS, **options)


@pytest.mark.parametrize("power", [-6.0, 4.0])
def test_highest_index_is_thinnest(power: float) -> None:
    ranking = rank(power)
    assert ranking.choices[0].material.key == "episulfide-1.74"
    assert ranking.choices[0].thickness_rank == 1
    thick = [choice.thickest_mm for choice in ranking.choices]
    assert thick == sorted(thick)
    assert ranking.impossible == ()


def test_ranks_point_at_the_best_of_each_kind() -> None:
    ranking = rank(-6.0)
    by_key = {choice.material.key: choice for choice in ranking.choices}
    assert by_key["crown-1.52"].abbe_rank == 1
    assert by_key["crown-1.52"].weight_rank == len(MATERIALS)
    assert min(by_key.values(), key=lambda choice: choice.weight_g).weight_rank == 1
    assert by_key["thiourethane-1.67-d135"].abbe_rank == by_key["thiourethane-1.67-d137"].abbe_rank
    # P / V at 10 mm: 6.0 / 30
    assert by_key["polycarbonate-1.59"].chromatic_pdpt == pytest.approx(0.2)


def test_materials_without_such_a_lens_are_listed_with_the_reason() -> None:
    steep = Material("steep", "test", 1.2, 50, 1.0, "invented", Confidence.CONVENTION)
    ranking = rank_materials(
        SpheroCylinder(12),
        SHAPE,
        [steep, MATERIAL_BY_KEY["episulfide-1.74"]],
        base_curve_dpt=10,
        minimum_centre_mm=1,
        minimum_edge_mm=1,
    )
    assert [choice.material.key for choice in ranking.choices] == ["episulfide-1.74"]
    ((material, error),) = ranking.impossible
    assert material is steep
    assert isinstance(error, ImpossibleThickness | ValueError)
