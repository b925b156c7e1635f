"""Checks of one tolerance standard."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Any

from opticshop.optics.conformity import Confidence

from ..tolerances import (
    LENS_KINDS,
    EyeInspection,
    InspectionRequest,
    LensValues,
    StandardContext,
    ToleranceStandard,
    Uncertainty,
    Verdict,
)
from . import samples
from .failure import require

_SMALL = Uncertainty.of(power_dpt="0.06", axis_deg="1", prism_dpt="0.10", length_mm="0.5")


def checks(standard: ToleranceStandard, context: StandardContext) -> Iterator[tuple[str, Callable[[], None]]]:
    for title, check in (
        ("describes itself and its limits", _describes_itself),
        ("an exact lens passes", _exact_lens_passes),
        ("a gross error fails", _gross_error_fails),
        ("what was not measured never passes", _unmeasured_never_passes),
        ("evaluation is pure", _is_pure),
        ("the cylinder sign changes nothing", _cylinder_sign_changes_nothing),
        ("an uncertainty never turns a failing reading into a pass", _guard_band_is_honest),
        ("other lens kinds are left open", _other_kinds_are_left_open),
    ):
        yield f"standard {standard.key}: {title}", lambda check=check: check(standard, context)  # type: ignore[misc]


def _evaluated(standard: ToleranceStandard, context: StandardContext, request: InspectionRequest) -> Verdict:
    verdict = context.evaluate(standard.key, request)
    require(isinstance(verdict, Verdict), f"{standard.key}: evaluate returns a Verdict")
    return verdict


def _requests(standard: ToleranceStandard) -> Iterator[InspectionRequest]:
    for kind in sorted(standard.lens_kinds):
        for values in samples.ORDERED_LENSES:
            yield samples.exact_request(values, kind)


def _with_measured(request: InspectionRequest, change: Callable[[LensValues], LensValues]) -> InspectionRequest:
    assert request.right is not None
    return replace(request, right=replace(request.right, measured=change(request.right.measured)))


def _describes_itself(standard: ToleranceStandard, context: StandardContext) -> None:
    for attribute in ("standard", "edition", "title"):
        require(bool(getattr(standard, attribute, "").strip()), f"{standard.key}: {attribute} is missing")
    require(standard.applies_to in ("mounted", "uncut"), f"{standard.key}: applies_to is {standard.applies_to!r}")
    require(
        bool(standard.lens_kinds) and standard.lens_kinds <= LENS_KINDS,
        f"{standard.key}: lens_kinds are {set(standard.lens_kinds)}",
    )
    limits = context.limits(standard.key)
    require(bool(limits), f"{standard.key}: limits() is empty")
    for limit in limits:
        for attribute in ("parameter", "band", "limit", "unit", "clause", "source"):
            require(bool(getattr(limit, attribute).strip()), f"{standard.key}: {limit} has no {attribute}")
        require(isinstance(limit.confidence, Confidence), f"{standard.key}: {limit} has no confidence")


def _exact_lens_passes(standard: ToleranceStandard, context: StandardContext) -> None:
    for request in _requests(standard):
        verdict = _evaluated(standard, context, request)
        require(
            verdict.outcome == "pass",
            f"{standard.key}: {verdict.outcome} for a lens measured as ordered: {_faults(verdict)}",
        )
        require(verdict.standard_key == standard.key, f"{standard.key}: the verdict names {verdict.standard_key}")
        json.dumps(verdict.to_dict())
        for line in verdict.lines:
            require(bool(line.reason.strip()), f"{standard.key}: {line.parameter} has no reason")
            judged = line.outcome in ("pass", "fail", "undecided")
            require(
                not judged or bool(line.clause and line.confidence and line.source),
                f"{standard.key}: {line.parameter} has no clause, confidence or source",
            )


def _gross_error_fails(standard: ToleranceStandard, context: StandardContext) -> None:
    for request in _requests(standard):
        for what, change in _GROSS_ERRORS.items():
            verdict = _evaluated(standard, context, _with_measured(request, change))
            require(verdict.outcome == "fail", f"{standard.key}: {verdict.outcome} with {what}")
        only_prism = replace(_with_measured(request, _prism_off), pair=None)
        verdict = _evaluated(standard, context, only_prism)
        require(verdict.outcome != "pass", f"{standard.key}: passes with prism off by 5 in both directions")


def _unmeasured_never_passes(standard: ToleranceStandard, context: StandardContext) -> None:
    for request in _requests(standard):
        for what, nothing in (
            ("anything", LensValues()),
            ("the cylinder", LensValues.of(sphere_dpt="-2.00")),
        ):
            verdict = _evaluated(standard, context, _with_measured(request, lambda _, lens=nothing: lens))  # type: ignore[misc]
            require(verdict.outcome != "pass", f"{standard.key}: passes without measuring {what}")
            require(bool(verdict.missing), f"{standard.key}: does not say that {what} is missing")


def _is_pure(standard: ToleranceStandard, context: StandardContext) -> None:
    for request in _requests(standard):
        before = json.dumps(request.to_dict())
        first = _evaluated(standard, context, request)
        _evaluated(standard, context, _with_measured(request, lambda lens: replace(lens, sphere_dpt=Decimal(9))))
        require(_evaluated(standard, context, request) == first, f"{standard.key}: a second verdict differs")
        require(json.dumps(request.to_dict()) == before, f"{standard.key}: the request was changed")


def _cylinder_sign_changes_nothing(standard: ToleranceStandard, context: StandardContext) -> None:
    for exact in _requests(standard):
        for offset in ("0", "0.10", "0.25"):
            step = Decimal(offset)
            request = _with_measured(exact, lambda lens, step=step: _worse(lens, step))  # type: ignore[misc]
            plain = _evaluated(standard, context, request)
            turned = _evaluated(standard, context, _with_measured(request, LensValues.transposed))
            require(
                turned == plain,
                f"{standard.key}: the measured lens in the other cylinder sign: {_faults(turned)}",
            )
            assert request.right is not None
            rewritten = EyeInspection(ordered=request.right.ordered.transposed(), measured=request.right.measured)
            other = _evaluated(standard, context, replace(request, right=rewritten))
            require(other.outcome == plain.outcome, f"{standard.key}: the order in the other cylinder sign")


def _guard_band_is_honest(standard: ToleranceStandard, context: StandardContext) -> None:
    for exact in _requests(standard):
        for offset in ("0", "0.09", "0.12", "0.13", "0.18", "0.30"):
            step = Decimal(offset)
            request = _with_measured(exact, lambda lens, step=step: _worse(lens, step))  # type: ignore[misc]
            plain = _evaluated(standard, context, request)
            guarded = _evaluated(standard, context, replace(request, uncertainty=_SMALL))
            require(
                plain.outcome == "pass" or guarded.outcome != "pass",
                f"{standard.key}: {plain.outcome} without, {guarded.outcome} with an uncertainty",
            )
            for line in guarded.lines:
                require(
                    line.outcome != "pass" or line.reading_conforms is True,
                    f"{standard.key}: {line.parameter} passes although its reading does not",
                )


def _other_kinds_are_left_open(standard: ToleranceStandard, context: StandardContext) -> None:
    for kind in sorted(LENS_KINDS - standard.lens_kinds):
        verdict = _evaluated(standard, context, samples.exact_request(samples.ORDERED_LENSES[1], kind))
        require(verdict.outcome == "incomplete", f"{standard.key}: {verdict.outcome} for {kind}")


def _worse(lens: LensValues, step: Decimal) -> LensValues:
    return replace(
        lens,
        sphere_dpt=_plus(lens.sphere_dpt, step),
        cylinder_dpt=_plus(lens.cylinder_dpt, -step),
        axis_deg=lens.axis_deg if lens.axis_deg is not None else Decimal(30),
    )


def _plus(value: Decimal | None, step: Decimal | int) -> Decimal:
    return (value or Decimal(0)) + step


def _faults(verdict: Verdict) -> list[Any]:
    faults = [line.reason for line in verdict.lines if line.outcome not in ("pass", "not_applicable")]
    return faults or list(verdict.notes)


_GROSS_ERRORS: dict[str, Callable[[LensValues], LensValues]] = {
    "sphere off by 2 D": lambda lens: replace(lens, sphere_dpt=_plus(lens.sphere_dpt, 2)),
    "cylinder off by 2 D": lambda lens: replace(
        lens, cylinder_dpt=_plus(lens.cylinder_dpt, -2), axis_deg=lens.axis_deg or Decimal(45)
    ),
}


def _prism_off(lens: LensValues) -> LensValues:
    """Prism off by 5 each way, and nothing else measured from which it could be doubted."""
    return replace(
        lens,
        prism_in_dpt=_plus(lens.prism_in_dpt, 5),
        prism_up_dpt=_plus(lens.prism_up_dpt, 5),
        centration_distance_mm=None,
        centration_height_mm=None,
    )
