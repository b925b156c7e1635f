"""What holds for every tolerance standard and every lens."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from opticshop_ansi_z80 import AnsiZ801Edition2015
from opticshop_house_standard import HouseStandard
from opticshop_iso8980 import Iso8980Part1, Iso8980Part2
from opticshop_iso21987 import Iso21987Edition2009, Iso21987Edition2017

from opticshop.optics.conformity import folded_axis_deg
from opticshop.plugin_api import (
    PARAMETERS,
    EyeInspection,
    InspectionRequest,
    LensValues,
    PairInspection,
    StandardContext,
    ToleranceStandard,
    Uncertainty,
)

STANDARDS: tuple[ToleranceStandard, ...] = (
    Iso21987Edition2017(),
    Iso21987Edition2009(),
    AnsiZ801Edition2015(),
    Iso8980Part1(),
    Iso8980Part2(),
)
every_standard = pytest.mark.parametrize("standard", STANDARDS, ids=lambda standard: standard.key)
RANK = {"pass": 0, "undecided": 1, "incomplete": 2, "fail": 3}


def hundredths(low: int, high: int) -> st.SearchStrategy[Decimal]:
    return st.integers(low, high).map(lambda number: Decimal(number) / 100)


def quarters(low: int, high: int) -> st.SearchStrategy[Decimal]:
    return st.integers(low, high).map(lambda number: Decimal(number) / 4)


@st.composite
def ordered_lenses(draw: st.DrawFn) -> LensValues:
    cylinder = draw(quarters(-28, 28))
    return LensValues(
        sphere_dpt=draw(quarters(-80, 80)),
        cylinder_dpt=cylinder,
        axis_deg=Decimal(draw(st.integers(1, 180))) if cylinder else None,
        add_dpt=draw(st.none() | quarters(3, 20)),
        prism_in_dpt=draw(st.none() | hundredths(-400, 400)),
        prism_up_dpt=draw(st.none() | hundredths(-400, 400)),
        centration_distance_mm=Decimal(32),
        centration_height_mm=Decimal(20),
    )


@st.composite
def lenses(draw: st.DrawFn, off: int = 30) -> EyeInspection:
    """An ordered lens and a measurement up to `off` hundredths away in every quantity."""
    ordered = draw(ordered_lenses())
    cylinder = (ordered.cylinder_dpt or 0) + draw(hundredths(-off, off))
    measured = LensValues(
        sphere_dpt=(ordered.sphere_dpt or 0) + draw(hundredths(-off, off)),
        cylinder_dpt=cylinder,
        axis_deg=folded_axis_deg((ordered.axis_deg or Decimal(90)) + draw(st.integers(-off // 2, off // 2))),
        add_dpt=None if ordered.add_dpt is None else ordered.add_dpt + draw(hundredths(-off, off)),
        prism_in_dpt=(ordered.prism_in_dpt or 0) + draw(hundredths(-off, off)),
        prism_up_dpt=(ordered.prism_up_dpt or 0) + draw(hundredths(-off, off)),
        centration_distance_mm=Decimal(32),
        centration_height_mm=Decimal(20),
    )
    return EyeInspection(ordered=ordered, measured=measured)


@st.composite
def requests(draw: st.DrawFn, off: int = 30) -> InspectionRequest:
    return InspectionRequest(
        lens_kind=draw(st.sampled_from(("single_vision", "multifocal", "power_variation"))),
        right=draw(lenses(off)),
        left=draw(lenses(off)),
        pair=PairInspection.of(ordered_centre_distance_mm=64, measured_centre_distance_mm=64),
    )


def covered(standard: ToleranceStandard, request: InspectionRequest) -> InspectionRequest:
    if request.lens_kind in standard.lens_kinds:
        return request
    return replace(request, lens_kind=sorted(standard.lens_kinds)[0])


@every_standard
@given(request=requests(off=0))
@settings(max_examples=25)
def test_a_lens_measured_as_ordered_passes(standard: ToleranceStandard, request: InspectionRequest) -> None:
    verdict = standard.evaluate(covered(standard, request))
    assert verdict.outcome == "pass", [line.reason for line in verdict.lines if line.outcome != "pass"]


@every_standard
@given(request=requests())
@settings(max_examples=25)
def test_the_cylinder_sign_of_the_measurement_changes_nothing(
    standard: ToleranceStandard, request: InspectionRequest
) -> None:
    request = covered(standard, request)
    assert request.right is not None
    turned = replace(request, right=replace(request.right, measured=request.right.measured.transposed()))
    assert standard.evaluate(turned) == standard.evaluate(request)


@every_standard
@given(request=requests())
@settings(max_examples=25)
def test_the_cylinder_sign_of_the_order_changes_no_outcome(
    standard: ToleranceStandard, request: InspectionRequest
) -> None:
    request = covered(standard, request)
    assert request.right is not None
    turned = replace(request, right=replace(request.right, ordered=request.right.ordered.transposed()))
    assert standard.evaluate(turned).outcome == standard.evaluate(request).outcome


@every_standard
@given(request=requests(off=0), eye=st.sampled_from(("right", "left")), data=st.data())
@settings(max_examples=25)
def test_a_greater_deviation_never_gives_a_better_verdict(
    standard: ToleranceStandard, request: InspectionRequest, eye: str, data: st.DataObject
) -> None:
    request = covered(standard, request)
    field = data.draw(st.sampled_from(("sphere_dpt", "cylinder_dpt", "prism_in_dpt", "prism_up_dpt", "axis_deg")))
    small, large = sorted((data.draw(st.integers(0, 60)), data.draw(st.integers(0, 60))))
    sign = data.draw(st.sampled_from((-1, 1)))

    def off_by(steps: int) -> InspectionRequest:
        lens: EyeInspection = getattr(request, eye)
        value = getattr(lens.measured, field)
        changed: dict[str, Any] = {field: (value or 0) + sign * Decimal(steps) / 100}
        if field == "axis_deg":
            changed = {field: folded_axis_deg((value or 0) + sign * Decimal(steps))}
        spoilt: dict[str, Any] = {eye: replace(lens, measured=replace(lens.measured, **changed))}
        return replace(request, **spoilt)

    better, worse = standard.evaluate(off_by(small)), standard.evaluate(off_by(large))
    assert RANK[better.outcome] <= RANK[worse.outcome]


@every_standard
@given(
    request=requests(),
    power=hundredths(0, 20),
    axis=st.integers(0, 3),
    prism=hundredths(0, 30),
)
@settings(max_examples=25)
def test_an_uncertainty_never_makes_a_failing_reading_pass(
    standard: ToleranceStandard, request: InspectionRequest, power: Decimal, axis: int, prism: Decimal
) -> None:
    request = covered(standard, request)
    uncertainty = Uncertainty(power_dpt=power, axis_deg=Decimal(axis), prism_dpt=prism, length_mm=prism)
    plain, guarded = standard.evaluate(request), standard.evaluate(replace(request, uncertainty=uncertainty))
    assert plain.outcome == "pass" or guarded.outcome != "pass"
    for before, after in zip(plain.lines, guarded.lines, strict=True):
        assert before.reading_conforms == after.reading_conforms
        if after.outcome == "pass" and after.deviation is not None:
            assert before.outcome == "pass"
        if after.outcome == "fail":
            assert before.outcome == "fail"
        if after.probability_of_conformity is not None:
            assert 0 <= after.probability_of_conformity <= 1


TIGHTENINGS = st.dictionaries(
    st.sampled_from(sorted(PARAMETERS)),
    st.fixed_dictionaries(
        {},
        optional={
            "limit": st.integers(0, 2000).map(lambda number: str(Decimal(number) / 100)),
            "factor": st.integers(0, 100).map(lambda number: str(Decimal(number) / 100)),
        },
    ).filter(bool),
    max_size=6,
)


@pytest.mark.parametrize("base", [one for one in STANDARDS if one.applies_to == "mounted"], ids=lambda base: base.key)
@given(request=requests(), tighten=TIGHTENINGS, uncertain=st.booleans())
@settings(max_examples=25)
def test_a_house_standard_never_passes_what_its_base_does_not(
    base: ToleranceStandard, request: InspectionRequest, tighten: dict[str, Any], uncertain: bool
) -> None:
    if uncertain:
        request = replace(request, uncertainty=Uncertainty.of(power_dpt="0.06", axis_deg=1, prism_dpt="0.1"))
    house = HouseStandard()
    context = StandardContext({base.key: base, house.key: house}, {house.key: {"base": base.key, "tighten": tighten}})
    published, own = base.evaluate(request), context.evaluate(house.key, request)
    assert RANK[own.outcome] >= RANK[published.outcome]
    for before, after in zip(published.lines, own.lines, strict=True):
        assert (before.parameter, before.eye, before.deviation) == (after.parameter, after.eye, after.deviation)
        if before.limit is not None:
            assert after.limit is not None
            assert after.limit <= before.limit


@every_standard
@given(request=requests(), data=st.data())
@settings(max_examples=25)
def test_leaving_out_a_measurement_never_gives_a_pass(
    standard: ToleranceStandard, request: InspectionRequest, data: st.DataObject
) -> None:
    request = covered(standard, request)
    assert request.right is not None
    fields = ["sphere_dpt", "cylinder_dpt", "add_dpt"]
    left_out = data.draw(st.sampled_from(fields))
    if getattr(request.right.ordered, left_out) is None:
        return
    changes: dict[str, Any] = {left_out: None}
    if left_out != "add_dpt":
        changes |= {"cylinder_dpt": None, "axis_deg": None}
    lens = replace(request.right, measured=replace(request.right.measured, **changes))
    verdict = standard.evaluate(replace(request, right=lens))
    assert verdict.outcome in ("incomplete", "fail")
    assert verdict.missing
