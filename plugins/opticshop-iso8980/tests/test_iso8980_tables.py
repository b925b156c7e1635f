"""Limits of uncut lenses, edges included.

Expected values: ISO 8980-1:2017 and 8980-2:2017, from memory, unconfirmed; thickness read in an extract of the 2004
edition. The powers are the same grids as those for mounted lenses.
"""

from __future__ import annotations

from decimal import Decimal as D
from typing import Any

import pytest
from opticshop_iso8980 import Iso8980Part1, Iso8980Part2, tables

from opticshop.plugin_api import EyeInspection, InspectionRequest, LensKind, LensValues, ToleranceStandard, Verdict


def judged(
    ordered: LensValues,
    measured: LensValues,
    kind: LensKind = "single_vision",
    standard: ToleranceStandard | None = None,
) -> Verdict:
    eye = EyeInspection(ordered=ordered, measured=measured)
    return (standard or Iso8980Part1()).evaluate(InspectionRequest(lens_kind=kind, right=eye))


@pytest.mark.parametrize(
    ("cylinder", "degrees"),
    [
        ("0.125", None),
        ("0.13", 14),
        ("0.25", 14),
        ("0.50", 7),
        ("0.75", 5),
        ("1.50", 3),
        ("1.75", 2),
    ],
)
def test_axis_limits_are_tighter_than_mounted_ones(cylinder: str, degrees: int | None) -> None:
    assert tables.AXIS.limit_for(cylinder).value == degrees


@pytest.mark.parametrize(
    ("prism", "power", "horizontal", "vertical"),
    [
        ("0", "2.00", "0.45", "0.35"),  # the example +0.50/-2.50x20: Smax 2.00
        ("2.00", "0", "0.25", "0.25"),
        ("2.01", "4.00", "0.77", "0.57"),
        ("10.00", "4.00", "0.77", "0.57"),
        ("10.01", "4.00", "0.90", "0.70"),
    ],
)
def test_prism_limits(prism: str, power: str, horizontal: str, vertical: str) -> None:
    assert tables.PRISM_HORIZONTAL.limit_for(prism, power).value == D(horizontal)
    assert tables.PRISM_VERTICAL.limit_for(prism, power).value == D(vertical)


def test_the_prism_example_is_judged_at_its_edge() -> None:
    ordered = LensValues.of(sphere_dpt="0.50", cylinder_dpt="-2.50", axis_deg=20)
    power: dict[str, Any] = {"sphere_dpt": "0.50", "cylinder_dpt": "-2.50", "axis_deg": 20}
    assert judged(ordered, LensValues.of(**power, prism_in_dpt="0.45", prism_up_dpt="-0.35")).outcome == "pass"
    assert judged(ordered, LensValues.of(**power, prism_in_dpt="0.46", prism_up_dpt="0")).outcome == "fail"
    assert judged(ordered, LensValues.of(**power, prism_in_dpt="0", prism_up_dpt="0.36")).outcome == "fail"


def test_prism_that_was_not_read_leaves_the_verdict_open() -> None:
    verdict = judged(LensValues.of(sphere_dpt=1), LensValues.of(sphere_dpt=1, cylinder_dpt=0))
    assert verdict.outcome == "incomplete"
    assert verdict.missing == ("right.prism_horizontal", "right.prism_vertical")


def test_each_part_has_its_own_powers_and_kinds() -> None:
    ordered = LensValues.of(sphere_dpt="6.25")
    measured = LensValues.of(sphere_dpt="6.43", cylinder_dpt=0, prism_in_dpt=0, prism_up_dpt=0)
    assert judged(ordered, measured).outcome == "fail"  # 0.12 in part 1
    assert judged(ordered, measured, "power_variation", Iso8980Part2()).outcome == "pass"  # 0.18 in part 2
    assert judged(ordered, measured, "power_variation").outcome == "incomplete"
    assert judged(ordered, measured, "single_vision", Iso8980Part2()).outcome == "incomplete"


def test_thickness_limit() -> None:
    ordered = LensValues.of(sphere_dpt=0, centre_thickness_mm="2.0")
    plain: dict[str, Any] = {"sphere_dpt": 0, "cylinder_dpt": 0, "prism_in_dpt": 0, "prism_up_dpt": 0}
    assert judged(ordered, LensValues.of(**plain, centre_thickness_mm="1.7")).outcome == "pass"
    assert judged(ordered, LensValues.of(**plain, centre_thickness_mm="1.69")).outcome == "fail"
