"""From the lenses ordered and the values measured on the finished pair to one question for a tolerance standard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from opticshop.core.errors import Invalid
from opticshop.orders.computing import strictest_kind
from opticshop.orders.models import OrderedLens
from opticshop.plugin_api import (
    EyeInspection,
    InspectionRequest,
    InvalidFacts,
    LensValues,
    PairInspection,
    Uncertainty,
)
from opticshop.workshop.judging import ordered_power

#: "right", "left", "pair" and "instrument_uncertainty", each with the values that were measured or stated.
Readings = Mapping[str, Mapping[str, Any]]
EYES = ("right", "left")


class ReadingImpossible(Invalid):
    """The values measured cannot be those of a lens, for instance a cylinder without an axis."""

    code = "quality.reading_impossible"
    title = "This cannot be measured on a lens"


class EyeNotOrdered(Invalid):
    """Values are given for an eye for which no lens was ordered."""

    code = "quality.eye_not_ordered"
    title = "No lens was ordered for this eye"


def inspection_request(
    lenses: Sequence[OrderedLens], readings: Readings, visual_findings: Sequence[str] = ()
) -> InspectionRequest:
    """The question. A lens that was ordered and not measured is asked about all the same, so that it is missed.

    A pair of two kinds of lens is judged as the kind that describes it (power-variation before multifocal before single
    vision). Raises EyeNotOrdered, ReadingImpossible.
    """
    ordered = {lens.eye: lens for lens in lenses}
    for eye in EYES:
        if readings.get(eye) and eye not in ordered:
            raise EyeNotOrdered(f"No {eye} lens was ordered.", field=eye, allowed=sorted(ordered))
    return InspectionRequest(
        lens_kind=strictest_kind(lens.product.kind for lens in lenses),
        right=_eye("right", ordered, readings),
        left=_eye("left", ordered, readings),
        pair=_pair(lenses, readings.get("pair") or {}, visual_findings),
        uncertainty=_uncertainty(readings.get("instrument_uncertainty")),
    )


def ordered_values(lens: OrderedLens) -> LensValues:
    """Everything ordered for one lens. The height of a multifocal is that of its segment, not of an optical centre."""
    power = ordered_power(lens)
    is_multifocal = lens.product.kind == "multifocal"
    height = lens.centration_height_mm
    return LensValues(
        sphere_dpt=power.sphere_dpt,
        cylinder_dpt=power.cylinder_dpt,
        axis_deg=power.axis_deg,
        add_dpt=power.add_dpt,
        prism_in_dpt=lens.prism_in_dpt,
        prism_up_dpt=lens.prism_up_dpt,
        centration_distance_mm=lens.centration_distance_mm,
        centration_height_mm=None if is_multifocal else height,
        segment_height_mm=height if is_multifocal else None,
    )


def _eye(eye: str, ordered: Mapping[str, OrderedLens], readings: Readings) -> EyeInspection | None:
    if eye not in ordered:
        return None
    values = dict(readings.get(eye) or {})
    axis, addition = values.pop("axis_deg", None), values.pop("addition_dpt", None)
    try:
        measured = LensValues(axis_deg=None if axis is None else Decimal(axis), add_dpt=addition, **values)
    except InvalidFacts as error:
        raise ReadingImpossible(error.message, field=f"{eye}/{error.field}") from error
    return EyeInspection(ordered=ordered_values(ordered[eye]), measured=measured)


def _pair(
    lenses: Sequence[OrderedLens], values: Mapping[str, Any], visual_findings: Sequence[str]
) -> PairInspection | None:
    if len(lenses) < 2:
        return None
    return PairInspection(
        ordered_centre_distance_mm=sum((lens.centration_distance_mm for lens in lenses), Decimal(0)),
        measured_centre_distance_mm=values.get("centre_distance_mm"),
        measured_height_difference_mm=values.get("height_difference_mm"),
        visual_findings=tuple(visual_findings),
    )


def _uncertainty(values: Mapping[str, Any] | None) -> Uncertainty | None:
    if not values:
        return None
    try:
        return Uncertainty(**values)
    except InvalidFacts as error:
        raise ReadingImpossible(error.message, field=f"instrument_uncertainty/{error.field}") from error
