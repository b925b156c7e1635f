"""A control chart of deviations: rows of points in, the computed chart out. Statistics come from ``opticshop.spc``."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

import numpy as np

from opticshop import spc

from .charts_models import DeviationPoint

Kind = Literal["imr", "ewma"]
Scale = Literal["deviation", "share_of_limit"]
Centre = Literal["mean", "target"]
#: Fewer points than this give limits to be read with care (common practice, no source).
ENOUGH = 20
#: What is broken on an EWMA chart: the average beyond its own limits.
BEYOND = 1


@dataclass(frozen=True, slots=True)
class Wanted:
    """How to chart. ``baseline_to``: limits come from the points up to that moment and judge all of them."""

    kind: Kind = "imr"
    scale: Scale = "deviation"
    centre: Centre = "mean"
    rules: tuple[int, ...] = (1, 2, 3, 4)
    weight: float = 0.2
    width: float = 3.0
    baseline_to: dt.datetime | None = None


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point. ``plotted`` is what the chart shows: the value itself, or the average of an EWMA chart."""

    row: DeviationPoint
    value: float
    plotted: float
    moving_range: float | None
    lower: float
    upper: float
    rules: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Limits:
    centre: float
    sigma: float
    lower: float
    upper: float
    mean_moving_range: float
    moving_range_upper: float
    points: int
    provisional: bool


@dataclass(frozen=True, slots=True)
class ControlChart:
    """``limits`` and what follows from them are None with fewer than two points. ``capability`` is reckoned on shares
    of the limit of each point (limits differ from lens to lens), so against -1 and +1."""

    wanted: Wanted
    unit: str
    points: Sequence[ChartPoint] = ()
    limits: Limits | None = None
    breaks: Sequence[spc.RuleBreak] = ()
    capability: spc.Capability | None = None
    tolerance: float | None = None
    notes: Sequence[str] = field(default_factory=tuple)


def control_chart(rows: Sequence[DeviationPoint], wanted: Wanted) -> ControlChart:
    """The chart of points in the order they were measured."""
    notes: list[str] = []
    if wanted.scale == "share_of_limit":
        used = [row for row in rows if row.limit]
        if len(used) < len(rows):
            notes.append(f"{len(rows) - len(used)} points without a limit are left out.")
        values = [float(row.deviation / _limit(row)) for row in used]
        unit = "of the limit"
    else:
        used, values = list(rows), [float(row.deviation) for row in rows]
        unit = used[0].unit if used else ""
    if len({row.unit for row in used}) > 1 and wanted.scale == "deviation":
        notes.append("These points have different units: chart them as shares of the limit.")
    basis = _basis(used, values, wanted)
    if len(basis) < 2:
        notes.append("Two points at least are needed for limits.")
        plain = [ChartPoint(row, value, value, None, 0, 0, ()) for row, value in zip(used, values, strict=True)]
        return ControlChart(wanted, unit, plain, notes=notes)
    reference = spc.individuals(basis)
    if len(basis) < ENOUGH:
        notes.append(f"Limits from {len(basis)} points are provisional; {ENOUGH} or more are wanted.")
    if reference.sigma == 0:
        notes.append("The values do not vary, as readings rounded to a coarse step do: nothing can be said of chance.")
    centre = reference.centre if wanted.centre == "mean" else 0.0
    chart = spc.individuals(values, centre=centre, sigma=reference.sigma)
    limits = Limits(
        centre=centre,
        sigma=reference.sigma,
        lower=chart.lower,
        upper=chart.upper,
        mean_moving_range=reference.mean_moving_range,
        moving_range_upper=chart.moving_range_upper,
        points=len(basis),
        provisional=len(basis) < ENOUGH,
    )
    points, breaks = _judged(used, values, chart, limits, wanted)
    return ControlChart(
        wanted=wanted,
        unit=unit,
        points=points,
        limits=limits,
        breaks=breaks,
        capability=_capability(used, notes),
        tolerance=_tolerance(used, wanted),
        notes=notes,
    )


def _basis(rows: Sequence[DeviationPoint], values: Sequence[float], wanted: Wanted) -> list[float]:
    if wanted.baseline_to is None:
        return list(values)
    return [value for row, value in zip(rows, values, strict=True) if row.measured_at < wanted.baseline_to]


def _judged(
    rows: Sequence[DeviationPoint],
    values: Sequence[float],
    chart: spc.IndividualsChart,
    limits: Limits,
    wanted: Wanted,
) -> tuple[list[ChartPoint], list[spc.RuleBreak]]:
    count = len(values)
    if wanted.kind == "ewma":
        averaged = spc.ewma(values, centre=limits.centre, sigma=limits.sigma, weight=wanted.weight, width=wanted.width)
        plotted, lower, upper = averaged.averages, averaged.lower, averaged.upper
        breaks = [
            spc.RuleBreak(BEYOND, "above" if plotted[i] > limits.centre else "below", (i,)) for i in averaged.outside
        ]
    else:
        plotted = chart.values
        lower, upper = np.full(count, limits.lower), np.full(count, limits.upper)
        breaks = spc.rule_breaks(values, centre=limits.centre, sigma=limits.sigma, rules=wanted.rules)
    broken: dict[int, list[int]] = {}
    for each in breaks:
        for position in each.points:
            broken.setdefault(position, []).append(each.rule)
    steps: list[float | None] = [None, *chart.moving_ranges.tolist()]
    points = [
        ChartPoint(
            row=rows[i],
            value=values[i],
            plotted=float(plotted[i]),
            moving_range=steps[i],
            lower=float(lower[i]),
            upper=float(upper[i]),
            rules=tuple(sorted(set(broken.get(i, ())))),
        )
        for i in range(count)
    ]
    return points, breaks


def _capability(rows: Sequence[DeviationPoint], notes: list[str]) -> spc.Capability | None:
    shares = [float(row.deviation / _limit(row)) for row in rows if row.limit]
    try:
        return spc.capability(shares, lower=-1, upper=1)
    except spc.SpcError as error:
        notes.append(f"No capability: {error}.")
        return None


def _limit(row: DeviationPoint) -> Decimal:
    assert row.limit
    return row.limit


def _tolerance(rows: Sequence[DeviationPoint], wanted: Wanted) -> float | None:
    """The limit to draw: one that all points share."""
    if wanted.scale == "share_of_limit":
        return 1.0 if rows else None
    limits = {row.limit for row in rows}
    only = limits.pop() if len(limits) == 1 else None
    return float(only) if only else None
