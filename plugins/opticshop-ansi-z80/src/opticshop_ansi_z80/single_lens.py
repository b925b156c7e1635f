"""One lens by itself: it passes by its prism or by the place of its prism reference point."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from opticshop.plugin_api import Eye, EyeInspection, LensValues
from opticshop.plugin_api.tolerance_kit import Judge

from . import tables

_ZERO = Decimal(0)


def judge_reference_point(judge: Judge, eye: Eye, lens: EyeInspection) -> None:
    """Judged when prism or place was measured; a mounted pair is judged by its imbalance instead."""
    prism = _prism_error(lens.ordered, lens.measured)
    place = _place_error(lens.ordered, lens.measured)
    if prism is None and place is None:
        judge.note("Neither the prism nor the place of the reference point was measured; it is not judged.")
        return
    errors = ((prism, tables.REFERENCE_POINT_PRISM), (place, tables.REFERENCE_POINT_PLACE))
    lines = [
        judge.line(
            table.parameter,
            eye,
            ordered=None,
            measured=None,
            deviation=error,
            limit=table.limit_for(0),
            unit=table.unit,
        )
        for error, table in errors
        if error is not None
    ]
    best = min(lines, key=lambda line: ("pass", "undecided", "fail").index(line.outcome))
    if len(lines) == 2:
        best = replace(best, note="Prism and place were measured; meeting one of the two limits is enough.")
    judge.add(best)


def _prism_error(ordered: LensValues, measured: LensValues) -> Decimal | None:
    """Size of the difference of the two prisms as vectors."""
    if measured.prism_in_dpt is None or measured.prism_up_dpt is None:
        return None
    across = measured.prism_in_dpt - (ordered.prism_in_dpt or _ZERO)
    up = measured.prism_up_dpt - (ordered.prism_up_dpt or _ZERO)
    return _size(across, up)


def _place_error(ordered: LensValues, measured: LensValues) -> Decimal | None:
    places = (
        (ordered.centration_distance_mm, measured.centration_distance_mm),
        (ordered.centration_height_mm, measured.centration_height_mm),
    )
    errors = [found - wanted for wanted, found in places if wanted is not None and found is not None]
    return _size(*errors) if len(errors) == 2 else None


def _size(x: Decimal, y: Decimal) -> Decimal:
    """Length of the vector (x, y); exact when it lies along one direction."""
    return abs(x + y) if x == 0 or y == 0 else (x * x + y * y).sqrt()
