"""How the tables are applied to a lens and to a pair."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import ClassVar

from opticshop.plugin_api import Confidence, Eye, EyeInspection, InspectionRequest
from opticshop.plugin_api.tolerance_kit import (
    Describes,
    Judge,
    LimitGrid,
    LimitTable,
    PrismReading,
    TableStandard,
    check_addition,
    check_axis,
    check_height_difference,
    check_length,
    check_principal_powers,
    check_tilt,
    check_value,
    relative_prism_horizontal,
    relative_prism_vertical,
)

from . import tables

_ZERO = Decimal(0)
PRISM_NOT_MEASURED = (
    "The prism was not read at both reference points, and the position of the optical centres does not give it."
)


class Iso21987Edition2017(TableStandard):
    """ISO 21987:2017, mounted spectacle lenses."""

    standard = "ISO 21987"
    edition = "2017"
    key = "iso-21987-2017"
    title = "ISO 21987:2017, mounted spectacle lenses"
    applies_to = "mounted"
    axis_table: ClassVar[LimitTable] = tables.AXIS_2017
    limit_tables: ClassVar[tuple[Describes, ...]] = (
        tables.MERIDIANS,
        tables.CYLINDERS,
        tables.VARIATION_MERIDIANS,
        tables.VARIATION_CYLINDERS,
        tables.AXIS_2017,
        tables.ADDITION,
        tables.PRISM_HORIZONTAL,
        tables.PRISM_VERTICAL,
        tables.SEGMENT_HEIGHT,
        tables.SEGMENT_HEIGHT_DIFFERENCE,
        tables.SEGMENT_DISTANCE,
        tables.FITTING_POINT_HEIGHT,
        tables.FITTING_POINT_HEIGHT_DIFFERENCE,
        tables.FITTING_POINT_DISTANCE,
        tables.TILT,
        tables.CENTRE_THICKNESS,
    )

    def judge_lens(self, judge: Judge, eye: Eye, lens: EyeInspection, request: InspectionRequest) -> None:
        varies = request.lens_kind == "power_variation"
        check_principal_powers(
            judge,
            eye,
            lens,
            meridians=tables.VARIATION_MERIDIANS if varies else tables.MERIDIANS,
            cylinders=tables.VARIATION_CYLINDERS if varies else tables.CYLINDERS,
        )
        check_axis(judge, eye, lens, self.axis_table)
        check_addition(judge, eye, lens, tables.ADDITION)
        ordered, measured = lens.ordered, lens.measured
        if request.lens_kind == "multifocal":
            check_length(judge, eye, ordered.segment_height_mm, measured.segment_height_mm, tables.SEGMENT_HEIGHT)
        elif varies:
            check_length(
                judge,
                eye,
                ordered.centration_height_mm,
                measured.centration_height_mm,
                tables.FITTING_POINT_HEIGHT,
            )
            check_length(
                judge,
                eye,
                ordered.centration_distance_mm,
                measured.centration_distance_mm,
                tables.FITTING_POINT_DISTANCE,
            )
        check_tilt(judge, eye, lens, request.lens_kind, tables.TILT)
        check_length(judge, eye, ordered.centre_thickness_mm, measured.centre_thickness_mm, tables.CENTRE_THICKNESS)

    def judge_pair(self, judge: Judge, right: EyeInspection, left: EyeInspection, request: InspectionRequest) -> None:
        _judge_prism(
            judge,
            request,
            "prism_horizontal",
            relative_prism_horizontal(request),
            (right.ordered.prism_in_dpt or _ZERO, left.ordered.prism_in_dpt or _ZERO),
            tables.PRISM_HORIZONTAL,
        )
        _judge_prism(
            judge,
            request,
            "prism_vertical",
            relative_prism_vertical(request),
            (right.ordered.prism_up_dpt or _ZERO, left.ordered.prism_up_dpt or _ZERO),
            tables.PRISM_VERTICAL,
        )
        if request.lens_kind == "multifocal":
            check_height_difference(
                judge,
                (right.ordered.segment_height_mm, left.ordered.segment_height_mm),
                (right.measured.segment_height_mm, left.measured.segment_height_mm),
                tables.SEGMENT_HEIGHT_DIFFERENCE,
            )
            if request.pair is not None:
                check_length(
                    judge,
                    "pair",
                    request.pair.ordered_segment_distance_mm,
                    request.pair.measured_segment_distance_mm,
                    tables.SEGMENT_DISTANCE,
                )
        elif request.lens_kind == "power_variation":
            check_height_difference(
                judge,
                (right.ordered.centration_height_mm, left.ordered.centration_height_mm),
                (right.measured.centration_height_mm, left.measured.centration_height_mm),
                tables.FITTING_POINT_HEIGHT_DIFFERENCE,
            )


class Iso21987Edition2009(Iso21987Edition2017):
    """ISO 21987:2009: the same numbers, as remembered, but for the lowest axis band."""

    edition = "2009"
    key = "iso-21987-2009"
    title = "ISO 21987:2009, mounted spectacle lenses"
    axis_table = tables.AXIS_2009
    limit_tables = tuple(
        tables.AXIS_2009 if table is tables.AXIS_2017 else table for table in Iso21987Edition2017.limit_tables
    )


def _judge_prism(
    judge: Judge,
    request: InspectionRequest,
    parameter: str,
    reading: PrismReading | None,
    ordered_each: tuple[Decimal, Decimal],
    table: LimitGrid,
) -> None:
    """Relative prism, with the two open points of the table decided and flagged (see the README)."""
    assert request.right is not None
    assert request.left is not None
    if reading is None:
        judge.not_measured(parameter, "pair", "Δ", PRISM_NOT_MEASURED)
        return
    powers = [lens.ordered.power for lens in (request.right, request.left)]
    highest = [power.highest_absolute_power_dpt for power in powers if power is not None]
    strongest, weakest = max(highest), min(highest)
    of_pair, of_lens = abs(reading.ordered), max(abs(prism) for prism in ordered_each)
    row = min(of_pair, of_lens)
    limit = table.limit_for(row, strongest, strongest)
    notes = [reading.note] if reading.note else []
    by_weaker = table.limit_for(row, weakest, weakest)
    if by_weaker.value != limit.value:
        notes.append(
            f"The limit follows the stronger lens ({strongest} D); by the weaker one ({weakest} D) it would be "
            f"{by_weaker.value}. Which of them counts is not confirmed."
        )
    by_other_row = table.limit_for(max(of_pair, of_lens), strongest, strongest)
    if by_other_row.value != limit.value:
        notes.append(
            f"The row follows an ordered prism of {row}; by {max(of_pair, of_lens)} the limit would be "
            f"{by_other_row.value}. Which of them counts is not confirmed."
        )
    if len(notes) > bool(reading.note):
        limit = replace(limit, confidence=Confidence.DOUBTFUL)
    check_value(
        judge,
        parameter,
        "pair",
        reading.ordered,
        reading.measured,
        limit,
        "Δ",
        expanded_uncertainty=reading.uncertainty(judge.length_uncertainty()),
        note=" ".join(notes),
    )
