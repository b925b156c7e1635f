"""The tables and the readings of ANSI Z80.1-2015, edges included.

Expected values: 18VAC80-30-120 (current text), the 2015 quick guide, a summary of Z80.1-2010; confirmed except where a
line says otherwise.
"""

from __future__ import annotations

from decimal import Decimal as D
from typing import Any

import pytest
from opticshop_ansi_z80 import AnsiZ801Edition2015, tables

from opticshop.plugin_api import (
    Confidence,
    EyeInspection,
    InspectionRequest,
    LensKind,
    LensValues,
    PairInspection,
    Verdict,
)
from opticshop.plugin_api.tolerance_kit import LimitTable

ANSI = AnsiZ801Edition2015()


@pytest.mark.parametrize(
    ("table", "power", "limit"),
    [
        (tables.SPHERE, "0", "0.13"),
        (tables.SPHERE, "6.50", "0.13"),
        (tables.SPHERE, "6.75", "0.135"),
        (tables.SPHERE, "10.00", "0.20"),
        (tables.CYLINDER, "2.00", "0.13"),
        (tables.CYLINDER, "2.01", "0.15"),
        (tables.CYLINDER, "4.50", "0.15"),
        (tables.CYLINDER, "5.00", "0.20"),
        (tables.PROGRESSIVE_SPHERE, "8.00", "0.16"),
        (tables.PROGRESSIVE_SPHERE, "9.00", "0.18"),
        (tables.PROGRESSIVE_CYLINDER, "2.00", "0.16"),
        (tables.PROGRESSIVE_CYLINDER, "2.25", "0.18"),
        (tables.PROGRESSIVE_CYLINDER, "3.50", "0.18"),
        (tables.PROGRESSIVE_CYLINDER, "4.00", "0.20"),
        (tables.AXIS, "0.12", "14"),
        (tables.AXIS, "0.25", "14"),
        (tables.AXIS, "0.37", "7"),
        (tables.AXIS, "0.50", "7"),
        (tables.AXIS, "0.75", "5"),
        (tables.AXIS, "1.50", "3"),
        (tables.AXIS, "1.75", "2"),
        (tables.ADDITION, "4.00", "0.12"),
        (tables.ADDITION, "4.25", "0.18"),
    ],
)
def test_limits(table: LimitTable, power: str, limit: str) -> None:
    assert table.limit_for(power, power).value == D(limit)


def test_no_axis_limit_below_an_eighth_of_a_dioptre() -> None:
    assert tables.AXIS.limit_for("0.11").value is None


def pair(
    right: str,
    left: str,
    kind: LensKind = "single_vision",
    inspection: PairInspection | None = None,
    **measured: str,
) -> Verdict:
    """Both lenses measured as ordered in power; `measured` holds further values of both."""

    def eye(sphere: str) -> EyeInspection:
        ordered = LensValues.of(sphere_dpt=sphere, centration_distance_mm=32, centration_height_mm=20)
        found = LensValues.of(sphere_dpt=sphere, cylinder_dpt=0, **measured)
        return EyeInspection(ordered=ordered, measured=found)

    return ANSI.evaluate(InspectionRequest(lens_kind=kind, right=eye(right), left=eye(left), pair=inspection))


def distance(measured: str, rise: str = "0") -> PairInspection:
    return PairInspection.of(
        ordered_centre_distance_mm=64,
        measured_centre_distance_mm=measured,
        measured_height_difference_mm=rise,
    )


def test_low_powers_are_judged_by_prism_and_high_ones_by_place() -> None:
    low = pair("2.75", "2.75", inspection=distance("66.4"))
    assert low.line("prism_horizontal", "pair").deviation == D("-0.66")
    assert low.outcome == "pass"
    assert pair("2.75", "2.75", inspection=distance("66.5")).outcome == "fail"  # 0.6875 > 0.67
    high = pair("3.00", "3.00", inspection=distance("66.5"))
    assert high.line("centre_distance", "pair").outcome == "pass"  # 0.75 prism dioptres, but 2.5 mm
    assert pair("3.00", "3.00", inspection=distance("66.6")).outcome == "fail"


def test_height_of_high_powers_is_judged_in_mm() -> None:
    assert pair("-6.00", "-6.00", inspection=distance("64", "1.0")).outcome == "pass"
    verdict = pair("-6.00", "-6.00", inspection=distance("64", "-1.1"))
    assert verdict.line("centre_height_difference", "pair").outcome == "fail"


def test_place_is_computed_from_prism_where_only_prism_was_read() -> None:
    verdict = pair("-5.00", "-5.00", prism_in_dpt="0.625", prism_up_dpt="0")
    line = verdict.line("centre_distance", "pair")
    assert line.deviation == D("2.5")  # 1.25 prism dioptres = 2.5 mm x 5.00 D
    assert line.outcome == "pass"
    assert "Prentice" in line.note
    assert pair("-5.00", "-5.00", prism_in_dpt="0.63", prism_up_dpt="0").outcome == "fail"


def test_different_powers_leave_one_measurement_of_the_pair_undecidable() -> None:
    verdict = pair("2.00", "0.50", inspection=distance("64"))
    assert verdict.outcome == "incomplete"
    assert set(verdict.missing) == {"pair.prism_horizontal", "pair.prism_vertical"}


def test_lenses_in_different_bands_are_doubtful() -> None:
    verdict = pair("3.00", "2.50", inspection=distance("64"))
    assert verdict.line("centre_distance", "pair").confidence is Confidence.DOUBTFUL
    assert verdict.leaned_on_unconfirmed is True


def test_the_direction_of_the_power_counts() -> None:
    # -1.00 / -3.00 x 180: 1.00 D along the horizontal, 4.00 D along the vertical
    ordered = LensValues.of(sphere_dpt=-1, cylinder_dpt=-3, axis_deg=180)
    measured = LensValues.of(sphere_dpt=-1, cylinder_dpt=-3, axis_deg=180, prism_in_dpt=0, prism_up_dpt=0)
    eye = EyeInspection(ordered=ordered, measured=measured)
    verdict = ANSI.evaluate(InspectionRequest(lens_kind="single_vision", right=eye, left=eye))
    assert {line.parameter for line in verdict.lines if line.eye == "pair"} == {
        "prism_horizontal",
        "centre_height_difference",
    }


def test_progressive_of_high_power_is_judged_by_each_distance() -> None:
    found: dict[str, Any] = {"centration_height_mm": "20", "prism_in_dpt": "0", "prism_up_dpt": "0"}
    verdict = pair("4.00", "4.00", "power_variation", centration_distance_mm="33.0", **found)
    assert verdict.line("centre_distance", "left").outcome == "pass"
    verdict = pair("4.00", "4.00", "power_variation", centration_distance_mm="33.1", **found)
    assert verdict.line("centre_distance", "left").outcome == "fail"


def alone(**measured: str) -> Verdict:
    ordered = LensValues.of(sphere_dpt=-4, centration_distance_mm=32, centration_height_mm=20)
    eye = EyeInspection(ordered=ordered, measured=LensValues.of(sphere_dpt=-4, cylinder_dpt=0, **measured))
    return ANSI.evaluate(InspectionRequest(lens_kind="single_vision", right=eye))


def test_one_lens_passes_by_prism_or_by_place() -> None:
    by_prism = {"prism_in_dpt": "0.33", "prism_up_dpt": "0"}
    off_prism = {"prism_in_dpt": "0.30", "prism_up_dpt": "0.30"}
    by_place = {"centration_distance_mm": "33.0", "centration_height_mm": "20"}
    off_place = {"centration_distance_mm": "32.8", "centration_height_mm": "20.8"}
    assert alone(**by_prism).outcome == "pass"
    assert alone(**by_place).outcome == "pass"
    assert alone(**off_prism, **by_place).outcome == "pass"
    assert alone(**by_prism, **off_place).outcome == "pass"
    assert alone(**off_prism).outcome == "fail"
    assert alone(**off_place).outcome == "fail"
    assert alone(**off_prism, **off_place).outcome == "fail"


def test_sphere_limit_follows_the_sphere_meridian_not_the_stronger_one() -> None:
    # -6.00 / -1.00 has 0.13 by the sphere meridian (2010 and later); 2 % of 7.00 = 0.14 in the 1999 reading
    ordered = LensValues.of(sphere_dpt=-6, cylinder_dpt=-1, axis_deg=90)
    measured = LensValues.of(sphere_dpt="-6.14", cylinder_dpt=-1, axis_deg=90)
    eye = EyeInspection(ordered=ordered, measured=measured)
    verdict = ANSI.evaluate(InspectionRequest(lens_kind="single_vision", right=eye))
    assert verdict.line("sphere", "right").limit == D("0.13")
    assert verdict.outcome == "fail"
