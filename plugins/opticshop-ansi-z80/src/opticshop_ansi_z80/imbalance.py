"""Prism imbalance of the mounted pair, read as bands: the power decides whether prism or place is judged.

The other reading ("or": fail only if both limits are exceeded) differs just at the edges of the bands and
where the two lenses differ. Here the higher power along the direction chooses the band; a line says so, and
is marked doubtful, where the lower power would have chosen the other.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from opticshop.optics.conformity import DecimalPower
from opticshop.plugin_api import Confidence, InspectionRequest
from opticshop.plugin_api.tolerance_kit import (
    MAX_POWER_DIFFERENCE_DPT,
    Judge,
    Limit,
    LimitTable,
    PrismReading,
    check_length,
    check_value,
    height_difference_error,
    horizontal_power_dpt,
    measured_centre_distance_mm,
    ordered_centre_distance_mm,
    relative_prism_horizontal,
    relative_prism_vertical,
    vertical_power_dpt,
)

from . import tables

_ZERO = Decimal(0)
_MIXED = "The two lenses fall into different bands; the stronger one chose. Which of them counts is not confirmed."
_FROM_PRISM = "Place computed by Prentice's rule from the prism."
PRISM_NOT_MEASURED = "The prism was not read on both lenses, and the place of the centres does not give it."
PLACE_NOT_MEASURED = "The place of the centres was not measured, and the prism does not give it."


def judge_horizontal(judge: Judge, request: InspectionRequest) -> None:
    progressive = request.lens_kind == "power_variation"
    edge = Decimal(tables.PROGRESSIVE_HORIZONTAL_EDGE if progressive else tables.HORIZONTAL_EDGE)
    powers = tuple(horizontal_power_dpt(power) for power in _powers(request))
    reading = relative_prism_horizontal(request)
    if _strongest(powers) <= edge:
        _judge_prism(judge, reading, tables.PRISM_HORIZONTAL)
    elif progressive:
        _judge_each_distance(judge, request)
    else:
        _judge_distance(judge, request, powers, reading, edge)


def judge_vertical(judge: Judge, request: InspectionRequest) -> None:
    powers = tuple(vertical_power_dpt(power) for power in _powers(request))
    edge = Decimal(tables.VERTICAL_EDGE)
    reading = relative_prism_vertical(request)
    if _strongest(powers) <= edge:
        _judge_prism(judge, reading, tables.PRISM_VERTICAL)
        return
    table = tables.CENTRE_HEIGHT_DIFFERENCE
    limit, notes = _limit(table, powers, edge)
    error = height_difference_error(request)
    if error is None:
        error = _place_from_prism(reading, powers)
        notes.append(_FROM_PRISM)
    if error is None:
        judge.not_measured(table.parameter, "pair", table.unit, PLACE_NOT_MEASURED)
        return
    judge.check(
        table.parameter,
        "pair",
        ordered=None,
        measured=None,
        deviation=error,
        limit=limit,
        unit=table.unit,
        note=" ".join(notes),
    )


def _judge_prism(judge: Judge, reading: PrismReading | None, table: LimitTable) -> None:
    if reading is None:
        judge.not_measured(table.parameter, "pair", table.unit, PRISM_NOT_MEASURED)
        return
    check_value(
        judge,
        table.parameter,
        "pair",
        reading.ordered,
        reading.measured,
        table.limit_for(0),
        table.unit,
        expanded_uncertainty=reading.uncertainty(judge.length_uncertainty()),
        note=reading.note,
    )


def _judge_distance(
    judge: Judge,
    request: InspectionRequest,
    powers: tuple[Decimal, ...],
    reading: PrismReading | None,
    edge: Decimal,
) -> None:
    table = tables.CENTRE_DISTANCE
    limit, notes = _limit(table, powers, edge)
    ordered, measured = ordered_centre_distance_mm(request), measured_centre_distance_mm(request)
    if ordered is not None and measured is not None:
        error: Decimal | None = measured - ordered
    else:
        measured = None
        error = _place_from_prism(reading, powers)
        notes.append(_FROM_PRISM)
    if error is None:
        judge.not_measured(table.parameter, "pair", table.unit, PLACE_NOT_MEASURED, ordered=ordered)
        return
    judge.check(
        table.parameter,
        "pair",
        ordered=ordered,
        measured=measured,
        deviation=error,
        limit=limit,
        unit=table.unit,
        note=" ".join(notes),
    )


def _judge_each_distance(judge: Judge, request: InspectionRequest) -> None:
    """Progressive lenses of high power: the distance of each eye."""
    table = tables.PROGRESSIVE_CENTRE_DISTANCE
    for eye, lens in request.lenses:
        ordered = lens.ordered.centration_distance_mm
        if ordered is None:
            judge.not_measured(table.parameter, eye, table.unit, "No distance is ordered for this eye.")
        else:
            check_length(judge, eye, ordered, lens.measured.centration_distance_mm, table)


def _powers(request: InspectionRequest) -> tuple[DecimalPower, ...]:
    return tuple(lens.ordered.power for _, lens in request.lenses if lens.ordered.power is not None)


def _strongest(powers: tuple[Decimal, ...]) -> Decimal:
    return max(abs(power) for power in powers)


def _limit(table: LimitTable, powers: tuple[Decimal, ...], edge: Decimal) -> tuple[Limit, list[str]]:
    limit = table.limit_for(0)
    if min(abs(power) for power in powers) > edge:
        return limit, []
    return replace(limit, confidence=Confidence.DOUBTFUL), [_MIXED]


def _place_from_prism(reading: PrismReading | None, powers: tuple[Decimal, ...]) -> Decimal | None:
    """mm that the prism error amounts to in the weaker lens, the worse case; None when the lenses differ
    too much.
    """
    weaker = min(abs(power) for power in powers)
    if reading is None or weaker == 0 or abs(powers[0] - powers[1]) > MAX_POWER_DIFFERENCE_DPT:
        return None
    return (abs(reading.measured - reading.ordered) * 10 / weaker).quantize(Decimal("0.0001"))
