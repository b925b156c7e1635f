"""The house standard on top of a small invented base, so that no other plugin is needed."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from opticshop_house_standard import HouseStandard, plugin

from opticshop.plugin_api import (
    Confidence,
    Eye,
    EyeInspection,
    InspectionRequest,
    InvalidSettings,
    LensValues,
    StandardContext,
    Uncertainty,
    UnknownStandard,
    Verdict,
)
from opticshop.plugin_api.testing import conformance
from opticshop.plugin_api.tolerance_kit import (
    Judge,
    LimitGrid,
    LimitTable,
    TableStandard,
    check_axis,
    check_principal_powers,
    fixed_limit,
    grid_row,
    row,
)

INVENTED = "invented for this test"
MERIDIANS = fixed_limit("power_m1 and power_m2", "D", "0.12", "meridian", Confidence.CONVENTION, INVENTED)
CYLINDERS = LimitGrid(
    parameter="cylinder",
    unit="D",
    by_row="power",
    by_column="cylinder",
    clause="cylinder",
    source=INVENTED,
    rows=(grid_row(None, None, row(None, None, "0.10", Confidence.CONVENTION)),),
)
AXIS = LimitTable(
    parameter="axis",
    unit="°",
    by="cylinder",
    clause="axis",
    source=INVENTED,
    rows=(
        row(None, "0.25", None, Confidence.CONVENTION),
        row("0.25", None, "6", Confidence.CONVENTION),
    ),
)


class SmallBase(TableStandard):
    standard = "Small base"
    edition = "1"
    key = "small-base"
    title = "Small base"
    applies_to = "mounted"
    limit_tables = (MERIDIANS, CYLINDERS, AXIS)

    def judge_lens(self, judge: Judge, eye: Eye, lens: EyeInspection, request: InspectionRequest) -> None:
        check_principal_powers(judge, eye, lens, meridians=MERIDIANS, cylinders=CYLINDERS)
        check_axis(judge, eye, lens, AXIS)
        judge_prism(judge, eye, lens)


def judge_prism(judge: Judge, eye: Eye, lens: EyeInspection) -> None:
    limit = fixed_limit("prism_vertical", "Δ", "1.00", "prism", Confidence.CONVENTION, INVENTED).limit_for(0)
    if lens.measured.prism_up_dpt is None:
        judge.not_measured("prism_vertical", eye, "Δ", "Not read.")
        return
    error = lens.measured.prism_up_dpt - (lens.ordered.prism_up_dpt or 0)
    judge.check("prism_vertical", eye, ordered=None, measured=None, deviation=error, limit=limit, unit="Δ")


TIGHTEN = {"cylinder": {"factor": "0.5"}, "axis": {"limit": "3"}}

test_conformance = conformance(plugin, settings={"base": "small-base", "tighten": TIGHTEN}, standards=[SmallBase()])

ORDERED = LensValues.of(sphere_dpt="-2.00", cylinder_dpt="-0.50", axis_deg=90)


def evaluated(measured: LensValues, tighten: dict[str, Any], **request: Any) -> Verdict:
    settings = plugin.manifest.settings_with({"base": "small-base", "tighten": tighten})
    context = StandardContext(
        {"small-base": SmallBase(), "house-standard": HouseStandard()}, {"house-standard": settings}
    )
    lens = EyeInspection(ordered=request.pop("ordered", ORDERED), measured=measured)
    return context.evaluate("house-standard", InspectionRequest(lens_kind="single_vision", right=lens, **request))


def measured(cylinder: str = "-0.50", axis: int = 90, prism: str = "0") -> LensValues:
    return LensValues.of(sphere_dpt="-2.00", cylinder_dpt=cylinder, axis_deg=axis, prism_up_dpt=prism)


def test_without_settings_of_its_own_it_judges_as_its_base() -> None:
    for lens in (measured(), measured(cylinder="-0.60"), measured(cylinder="-0.61"), measured(axis=97)):
        house = evaluated(lens, {})
        base = SmallBase().evaluate(
            InspectionRequest(lens_kind="single_vision", right=EyeInspection(ordered=ORDERED, measured=lens))
        )
        assert (house.outcome, house.lines) == (base.outcome, base.lines)


def test_a_factor_shrinks_the_base_limit_and_the_edge_still_passes() -> None:
    assert evaluated(measured(cylinder="-0.55"), TIGHTEN).outcome == "pass"
    verdict = evaluated(measured(cylinder="-0.56"), TIGHTEN)
    assert verdict.outcome == "fail"
    assert verdict.line("cylinder", "right").limit == Decimal("0.050")
    assert "outside the limit of 0.05 D" in verdict.line("cylinder", "right").reason


def test_a_looser_limit_is_not_taken() -> None:
    verdict = evaluated(measured(axis=97), {"axis": {"limit": "10"}})
    assert verdict.line("axis", "right").limit == Decimal(6)
    assert verdict.outcome == "fail"


def test_the_stricter_of_limit_and_factor_counts() -> None:
    line = evaluated(measured(), {"axis": {"limit": "4", "factor": "0.5"}}).line("axis", "right")
    assert line.limit == Decimal("3.0")
    line = evaluated(measured(), {"axis": {"limit": "2", "factor": "0.5"}}).line("axis", "right")
    assert line.limit == Decimal(2)


def test_a_limit_is_set_where_the_base_states_none_and_a_factor_is_not() -> None:
    ordered = LensValues.of(sphere_dpt="-2.00", cylinder_dpt="-0.25", axis_deg=90)
    lens = measured(cylinder="-0.25", axis=120)
    assert evaluated(lens, {}, ordered=ordered).outcome == "pass"
    assert evaluated(lens, {"axis": {"factor": "0.1"}}, ordered=ordered).outcome == "pass"
    assert evaluated(lens, {"axis": {"limit": "20"}}, ordered=ordered).outcome == "fail"


def test_what_was_not_measured_stays_open() -> None:
    lens = LensValues.of(sphere_dpt="-2.00", cylinder_dpt="-0.50", axis_deg=90)
    verdict = evaluated(lens, {"prism_vertical": {"limit": "0.25"}})
    assert verdict.outcome == "incomplete"
    assert verdict.missing == ("right.prism_vertical",)


def test_the_uncertainty_is_applied_to_the_stricter_limit() -> None:
    lens = measured(axis=92)
    uncertainty = Uncertainty.of(axis_deg=1)
    assert evaluated(lens, {}, uncertainty=uncertainty).outcome == "pass"
    assert evaluated(lens, TIGHTEN, uncertainty=uncertainty).outcome == "pass"
    verdict = evaluated(lens, {"axis": {"limit": "2"}}, uncertainty=uncertainty)
    assert verdict.outcome == "undecided"
    assert verdict.line("axis", "right").reading_conforms is True


def test_notes_name_the_base_and_what_is_stricter() -> None:
    notes = evaluated(measured(), TIGHTEN).notes
    assert notes[0] == "Base: Small base."
    assert notes[-1] == "The house is stricter in: cylinder 0.5 of the base's limit, axis at most 3."


def test_limits_show_base_and_house_side_by_side() -> None:
    context = StandardContext({"small-base": SmallBase()})
    limits = HouseStandard().limits({"base": "small-base", "tighten": TIGHTEN}, context)
    assert [line.limit for line in limits if line.parameter == "axis"] == [
        "none stated; house: at most 3",
        "6; house: at most 3",
    ]
    assert next(line for line in limits if line.parameter == "power_m1 and power_m2").limit == "0.12"


def test_a_base_that_is_not_active_is_named() -> None:
    context = StandardContext({"house-standard": HouseStandard()})
    lens = EyeInspection(ordered=ORDERED, measured=measured())
    with pytest.raises(UnknownStandard, match="iso-21987-2017"):
        context.evaluate("house-standard", InspectionRequest(lens_kind="single_vision", right=lens))


def test_a_house_built_on_itself_is_refused() -> None:
    context = StandardContext({"house-standard": HouseStandard()}, {"house-standard": {"base": "house-standard"}})
    lens = EyeInspection(ordered=ORDERED, measured=measured())
    with pytest.raises(UnknownStandard, match="built on itself"):
        context.evaluate("house-standard", InspectionRequest(lens_kind="single_vision", right=lens))


@pytest.mark.parametrize(
    "tighten",
    [
        {"axis": {"factor": "1.5"}},
        {"axis": {"factor": "2"}},
        {"axis": {"factor": 0.5}},
        {"axis": {"limit": "-1"}},
        {"axis": {"limit": "three"}},
        {"axis": {}},
        {"axsi": {"limit": "3"}},
        {"axis": {"limit": "3", "loosen": "1"}},
    ],
)
def test_settings_that_would_loosen_or_mean_nothing_are_refused(tighten: dict[str, Any]) -> None:
    with pytest.raises(InvalidSettings):
        plugin.manifest.settings_with({"tighten": tighten})
