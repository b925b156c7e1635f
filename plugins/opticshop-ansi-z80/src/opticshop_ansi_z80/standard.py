"""How the tables are applied to a lens and to a pair."""

from __future__ import annotations

from typing import ClassVar

from opticshop.plugin_api import Eye, EyeInspection, InspectionRequest
from opticshop.plugin_api.tolerance_kit import (
    Describes,
    Judge,
    TableStandard,
    check_addition,
    check_axis,
    check_height_difference,
    check_length,
    check_tilt,
    check_value,
)
from opticshop.plugin_api.tolerance_kit.lens_checks import POWER_NOT_MEASURED

from . import tables
from .imbalance import judge_horizontal, judge_vertical
from .single_lens import judge_reference_point


class AnsiZ801Edition2015(TableStandard):
    """ANSI Z80.1-2015, mounted spectacle lenses; `power_variation` stands for the standard's progressive
    lenses.
    """

    standard = "ANSI Z80.1"
    edition = "2015"
    key = "ansi-z80-1-2015"
    title = "ANSI Z80.1-2015, mounted spectacle lenses"
    applies_to = "mounted"
    limit_tables: ClassVar[tuple[Describes, ...]] = (
        tables.SPHERE,
        tables.CYLINDER,
        tables.PROGRESSIVE_SPHERE,
        tables.PROGRESSIVE_CYLINDER,
        tables.AXIS,
        tables.ADDITION,
        tables.REFERENCE_POINT_PRISM,
        tables.REFERENCE_POINT_PLACE,
        tables.PRISM_HORIZONTAL,
        tables.CENTRE_DISTANCE,
        tables.PROGRESSIVE_CENTRE_DISTANCE,
        tables.PRISM_VERTICAL,
        tables.CENTRE_HEIGHT_DIFFERENCE,
        tables.SEGMENT_HEIGHT,
        tables.SEGMENT_HEIGHT_DIFFERENCE,
        tables.SEGMENT_DISTANCE,
        tables.FITTING_POINT_HEIGHT,
        tables.FITTING_POINT_HEIGHT_DIFFERENCE,
        tables.FITTING_POINT_DISTANCE,
        tables.TILT,
        tables.PROGRESSIVE_TILT,
        tables.CENTRE_THICKNESS,
    )

    def judge_lens(self, judge: Judge, eye: Eye, lens: EyeInspection, request: InspectionRequest) -> None:
        progressive = request.lens_kind == "power_variation"
        _judge_power(judge, eye, lens, progressive)
        check_axis(judge, eye, lens, tables.AXIS)
        check_addition(judge, eye, lens, tables.ADDITION)
        ordered, measured = lens.ordered, lens.measured
        if progressive:
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
        elif request.lens_kind == "multifocal":
            check_length(judge, eye, ordered.segment_height_mm, measured.segment_height_mm, tables.SEGMENT_HEIGHT)
        tilt = tables.PROGRESSIVE_TILT if progressive else tables.TILT
        check_tilt(judge, eye, lens, request.lens_kind, tilt)
        check_length(judge, eye, ordered.centre_thickness_mm, measured.centre_thickness_mm, tables.CENTRE_THICKNESS)
        if request.right is None or request.left is None:
            judge_reference_point(judge, eye, lens)

    def judge_pair(self, judge: Judge, right: EyeInspection, left: EyeInspection, request: InspectionRequest) -> None:
        judge_horizontal(judge, request)
        judge_vertical(judge, request)
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


def _judge_power(judge: Judge, eye: Eye, lens: EyeInspection, progressive: bool) -> None:
    """Sphere and cylinder, order and measurement both in minus-cylinder form."""
    assert lens.ordered.power is not None
    ordered = lens.ordered.power.to_minus_cylinder()
    if lens.measured.power is None or lens.measured.cylinder_dpt is None:
        judge.not_measured("sphere", eye, "D", POWER_NOT_MEASURED, ordered=ordered.sphere_dpt)
        judge.not_measured("cylinder", eye, "D", POWER_NOT_MEASURED, ordered=ordered.cylinder_dpt)
        return
    measured = lens.measured.power.to_minus_cylinder()
    spheres = tables.PROGRESSIVE_SPHERE if progressive else tables.SPHERE
    cylinders = tables.PROGRESSIVE_CYLINDER if progressive else tables.CYLINDER
    sphere, cylinder = abs(ordered.sphere_dpt), abs(ordered.cylinder_dpt)
    limit = spheres.limit_for(sphere, sphere)
    check_value(judge, "sphere", eye, ordered.sphere_dpt, measured.sphere_dpt, limit, "D")
    limit = cylinders.limit_for(cylinder, cylinder)
    check_value(judge, "cylinder", eye, ordered.cylinder_dpt, measured.cylinder_dpt, limit, "D")
