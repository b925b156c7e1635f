"""Exact decimal tools for tolerance decisions."""

from __future__ import annotations

import math
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.optics.conformity import (
    Band,
    BandGrid,
    BandTable,
    Confidence,
    DecimalPower,
    GridRow,
    Verdict,
    axis_difference_deg,
    check_limit,
    decide_symmetric,
    decide_with_guard_band,
    exact,
    folded_axis_deg,
    power_deviation,
)
from opticshop.optics.errors import InvalidBandTable, InvalidNumber, NoBand, OpticsError, OutOfRange

ISO_SOURCE = "ISO 21987:2017 Table 1 (same grid as ISO 8980-1); partly confirmed"
ANSI_SOURCE = "Z80.1-2015 Table 3; confirmed by S11, S12, S13"


def columns(name: str, limits: tuple[str | None, ...]) -> BandTable:
    edges = (None, "0.75", "4.00", "6.00", None)
    return BandTable(
        name,
        tuple(
            Band(lower, upper, limit, ISO_SOURCE, Confidence.FROM_MEMORY)
            for lower, upper, limit in zip(edges, edges[1:], limits, strict=False)
        ),
    )


ISO_CYLINDER = BandGrid(
    "ISO 21987:2017 Table 1, cylinder",
    (
        GridRow(None, D("3.00"), columns("to 3.00", ("0.09", "0.12", "0.18", None))),
        GridRow(D("3.00"), D("6.00"), columns("to 6.00", ("0.12", "0.12", "0.18", "0.25"))),
        GridRow(D("6.00"), D("9.00"), columns("to 9.00", ("0.12", "0.18", "0.18", "0.25"))),
        GridRow(D("9.00"), None, columns("over 9.00", ("0.12", "0.18", "0.25", "0.25"))),
    ),
)

ANSI_AXIS = BandTable(
    "Z80.1-2015 axis",
    (
        Band(None, "0.12", None, ANSI_SOURCE, Confidence.CONFIRMED, includes_up_to=False),
        Band("0.12", "0.25", 14, ANSI_SOURCE, Confidence.CONFIRMED, includes_over=True),
        Band("0.25", "0.50", 7, ANSI_SOURCE, Confidence.CONFIRMED),
        Band("0.50", "0.75", 5, ANSI_SOURCE, Confidence.CONFIRMED),
        Band("0.75", "1.50", 3, ANSI_SOURCE, Confidence.CONFIRMED),
        Band("1.50", None, 2, ANSI_SOURCE, Confidence.CONFIRMED),
    ),
)

axes = st.decimals(min_value=0, max_value=180, places=1)
powers = st.builds(
    DecimalPower,
    st.decimals(min_value=-25, max_value=25, places=2),
    st.decimals(min_value=-8, max_value=8, places=2),
    axes,
)


@pytest.mark.parametrize("bad", [1.5, True, None, "two", "NaN", D("Infinity"), D("nan")])
def test_inexact_or_unreal_numbers_are_refused(bad: object) -> None:
    with pytest.raises(InvalidNumber):
        exact(bad)  # type: ignore[arg-type]


def test_absurdly_large_numbers_are_refused_before_arithmetic_overflows() -> None:
    with pytest.raises(OutOfRange):
        exact("1e999999")


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [(179, 1, 2), (178, 3, 5), (0, 180, 0), (90, 180, 90), (45, "135.5", "89.5"), (10, 10, 0)],
)
def test_axis_difference_wraps(a: int, b: int | str, expected: int | str) -> None:
    # W08 (179 against 1: 2 degrees) and W09 (178 against 3: 5 degrees); the rest follow from the definition
    assert axis_difference_deg(a, b) == D(expected)


@pytest.mark.parametrize(
    ("axis", "expected"), [(0, 180), (180, 180), (90, 90), (270, 90), (360, 180), ("-0.5", "179.5")]
)
def test_axis_folds_into_half_open_range(axis: int | str, expected: int | str) -> None:
    assert folded_axis_deg(axis) == D(expected)


def test_transposition_of_an_axis_of_90_gives_180_never_0() -> None:
    assert DecimalPower("0", "-0.50", 90).transposed() == DecimalPower("-0.50", "0.50", 180)
    assert DecimalPower("1", "2", 180).transposed().axis_deg == 90


@given(powers)
def test_transposition_is_an_involution_in_decimals(power: DecimalPower) -> None:
    assert power.transposed().transposed() == power
    assert set(power.transposed().principal_powers_dpt) == set(power.principal_powers_dpt)


def test_measured_power_is_brought_to_the_ordered_cylinder_sign() -> None:
    # W10: +1.00 / -2.00 x 180 ordered, -1.00 / +2.00 x 90 measured, is the same lens
    deviation = power_deviation(DecimalPower("1.00", "-2.00", 180), DecimalPower("-1.00", "2.00", 90))
    assert (deviation.m1_dpt, deviation.m2_dpt, deviation.cylinder_dpt, deviation.axis_deg) == (0, 0, 0, 0)


def test_deviations_stay_exact() -> None:
    # W01: 2.12 - 2.00 equals the limit of 0.12 and passes; W02: 0.13 does not
    first = power_deviation(DecimalPower("-2.00"), DecimalPower("-2.12"))
    second = power_deviation(DecimalPower("-2.00"), DecimalPower("-2.13"))
    assert check_limit(first.m1_dpt, "0.12").conforms
    assert check_limit(first.m1_dpt, "0.12").margin == 0
    assert not check_limit(second.m1_dpt, "0.12").conforms


@pytest.mark.parametrize(
    ("case", "ordered", "measured", "cylinder_limit", "conforms"),
    [
        ("W03", ("-3.00", "0", None), ("-2.95", "-0.10", 40), "0.09", False),
        ("W04", ("-3.25", "0", None), ("-3.20", "-0.10", 40), "0.12", True),
        ("W05", ("-2.00", "-0.50", 90), ("-1.95", "-0.63", 90), "0.09", False),
        ("W06", ("-5.00", "-1.00", 180), ("-4.95", "-1.15", 180), "0.12", False),
        ("W07", ("-5.25", "-1.00", 180), ("-5.20", "-1.15", 180), "0.18", True),
    ],
)
def test_cylinder_grid_reproduces_worked_decisions(case, ordered, measured, cylinder_limit, conforms) -> None:  # type: ignore[no-untyped-def]
    # Tolerance reference, section 6, rows W03 to W07
    order, reading = DecimalPower(*ordered), DecimalPower(*measured)
    cell = ISO_CYLINDER.band_for(order.highest_absolute_power_dpt, abs(order.cylinder_dpt))
    assert cell.limit == D(cylinder_limit)
    assert check_limit(power_deviation(order, reading).cylinder_dpt, cell.limit_for()).conforms is conforms


@pytest.mark.parametrize(
    ("cylinder", "limit"),
    [
        ("0.11", None),
        ("0.12", 14),
        ("0.25", 14),
        ("0.26", 7),
        ("0.50", 7),
        ("0.75", 5),
        ("1.50", 3),
        ("1.51", 2),
        ("9", 2),
    ],
)
def test_bands_are_upper_inclusive(cylinder: str, limit: int | None) -> None:
    band = ANSI_AXIS.band_for(cylinder)
    assert band.limit == limit
    assert band.clause == ANSI_SOURCE
    assert band.confidence is Confidence.CONFIRMED


def test_limit_that_grows_with_a_quantity() -> None:
    # W14: 2 % of 6.75 = 0.135; W18: effect of 2 mm at 4.00 D = 0.80
    assert Band("6.50", None, 0, "Z80.1-2015 Table 1", Confidence.CONFIRMED, per_unit=D("0.02")).limit_for(
        "-6.75"
    ) == D("0.135")
    assert Band("3.25", None, 0, "ISO 21987:2017", Confidence.FROM_MEMORY, per_unit=D("0.2")).limit_for("4.00") == D(
        "0.80"
    )


def test_value_below_the_first_band_is_an_error() -> None:
    with pytest.raises(NoBand) as caught:
        BandTable("from one", (Band(1, 2, 1, "", Confidence.CONVENTION),)).band_for("0.5")
    assert caught.value.code == "optics.no_band"
    assert isinstance(caught.value, OpticsError)


@pytest.mark.parametrize(
    "bands",
    [
        (),
        (Band(0, 1, 1, "", Confidence.CONVENTION), Band(2, 3, 1, "", Confidence.CONVENTION)),
        (Band(0, 2, 1, "", Confidence.CONVENTION), Band(1, 3, 1, "", Confidence.CONVENTION)),
        (
            Band(0, 1, 1, "", Confidence.CONVENTION),
            Band(1, 2, 1, "", Confidence.CONVENTION, includes_over=True),
        ),
        (Band(0, None, 1, "", Confidence.CONVENTION), Band(1, 2, 1, "", Confidence.CONVENTION)),
    ],
)
def test_gaps_and_overlaps_are_refused(bands: tuple[Band, ...]) -> None:
    with pytest.raises(InvalidBandTable):
        BandTable("broken", bands)


def test_no_stated_limit_always_conforms() -> None:
    check = check_limit("3", None)
    assert check.conforms
    assert check.margin is None


@pytest.mark.parametrize(
    ("deviation", "verdict", "reading_conforms"),
    [
        ("0.06", Verdict.PASS, True),
        ("-0.06", Verdict.PASS, True),
        ("0.07", Verdict.UNDECIDED, True),
        ("0.12", Verdict.UNDECIDED, True),
        ("0.13", Verdict.UNDECIDED, False),
        ("0.18", Verdict.UNDECIDED, False),
        ("0.19", Verdict.FAIL, False),
    ],
)
def test_guard_band_splits_pass_undecided_fail(deviation: str, verdict: Verdict, reading_conforms: bool) -> None:
    # Limit 0.12 D, instrument 0.06 D: a reading within 0.06 of a limit is inside the instrument's own error
    # (tolerance reference, section 4); zones after ISO 14253-1, from memory
    decision = decide_symmetric(deviation, "0.12", expanded_uncertainty="0.06")
    assert decision.verdict is verdict
    assert decision.reading_conforms is reading_conforms


def test_without_uncertainty_the_decision_is_the_inclusive_check() -> None:
    at_limit = decide_symmetric("0.12", "0.12", standard_uncertainty=0)
    beyond = decide_symmetric("0.13", "0.12", standard_uncertainty=0)
    assert (at_limit.verdict, at_limit.probability_of_conformity) == (Verdict.PASS, 1.0)
    assert (beyond.verdict, beyond.probability_of_conformity) == (Verdict.FAIL, 0.0)


def test_probability_of_conformity_matches_normal_tables() -> None:
    # Standard normal table: P(Z <= 1) = 0.8413, P(Z <= 1.645) = 0.9500, P(|Z| <= 1.96) = 0.9500
    one_sided = decide_with_guard_band(0, lower_limit=None, upper_limit=1, standard_uncertainty=1)
    assert one_sided.probability_of_conformity == pytest.approx(0.8413, abs=5e-5)
    tight = decide_with_guard_band(0, lower_limit=None, upper_limit="1.645", standard_uncertainty=1)
    assert tight.probability_of_conformity == pytest.approx(0.95, abs=5e-5)
    assert decide_symmetric(0, "1.96", standard_uncertainty=1).probability_of_conformity == pytest.approx(
        0.95, abs=5e-5
    )
    at_limit = decide_symmetric("0.12", "0.12", standard_uncertainty="0.001")
    assert at_limit.probability_of_conformity == pytest.approx(0.5)


def test_uncertainty_wider_than_the_tolerance_never_proves_conformity() -> None:
    assert decide_symmetric(0, "0.05", expanded_uncertainty="0.06").verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    "arguments",
    [
        {"lower_limit": None, "upper_limit": None, "standard_uncertainty": 1},
        {"lower_limit": 1, "upper_limit": 0, "standard_uncertainty": 1},
        {"lower_limit": 0, "upper_limit": 1},
        {"lower_limit": 0, "upper_limit": 1, "standard_uncertainty": 1, "expanded_uncertainty": 1},
        {"lower_limit": 0, "upper_limit": 1, "standard_uncertainty": -1},
        {"lower_limit": 0, "upper_limit": 1, "standard_uncertainty": 1, "coverage_factor": 0},
    ],
)
def test_meaningless_guard_bands_are_refused(arguments: dict[str, int]) -> None:
    with pytest.raises(OutOfRange):
        decide_with_guard_band(0, **arguments)  # type: ignore[arg-type]


@given(
    st.decimals(min_value=-2, max_value=2, places=3),
    st.decimals(min_value=0, max_value=1, places=3),
    st.decimals(min_value=0, max_value=1, places=3),
)
def test_verdict_and_probability_agree(deviation: D, limit: D, uncertainty: D) -> None:
    decision = decide_symmetric(deviation, limit, standard_uncertainty=uncertainty)
    assert 0.0 <= decision.probability_of_conformity <= 1.0
    assert math.isfinite(decision.probability_of_conformity)
    if decision.verdict is Verdict.PASS:
        assert decision.reading_conforms
        assert decision.probability_of_conformity > 0.95
    if decision.verdict is Verdict.FAIL:
        assert not decision.reading_conforms
        assert decision.probability_of_conformity < 0.025


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (("1", "-1", None), "axis_deg"),
        (("1", "-1", 181), "axis_deg"),
        (("x",), "sphere_dpt"),
        (("1", "nan"), "cylinder_dpt"),
    ],
)
def test_decimal_power_names_the_field_at_fault(arguments: tuple[object, ...], field: str) -> None:
    with pytest.raises(OpticsError) as caught:
        DecimalPower(*arguments)  # type: ignore[arg-type]
    assert caught.value.field == field
