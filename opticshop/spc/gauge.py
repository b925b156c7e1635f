"""Gauge repeatability and reproducibility: how much of the spread seen comes from measuring.

Crossed studies: every operator measures every part the same number of times. Two methods of AIAG, Measurement Systems
Analysis, 4th edition: analysis of variance (random effects), and average and range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy import special

from .constants import range_constants
from .errors import SpcError
from .inputs import Floats, finite

#: Above this probability the interaction is pooled with the repeatability (common in statistics packages, from memory).
POOL_ABOVE = 0.25
#: Width of the spread compared with a tolerance, in standard deviations.
SPREAD = 6.0
Method = Literal["anova", "average_range"]


@dataclass(frozen=True, slots=True)
class Component:
    """One source of variation. ``contribution`` is its share of the variance (they add up), ``of_total`` its share of
    the total standard deviation, ``of_tolerance`` 6 sigma of it over the tolerance width (None without one)."""

    name: str
    sigma: float
    contribution: float
    of_total: float
    of_tolerance: float | None


@dataclass(frozen=True, slots=True)
class AnovaLine:
    """One line of the table of variance; F and its probability where the line is tested."""

    source: str
    freedom: int
    squares: float
    mean_square: float
    f: float | None = None
    probability: float | None = None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """``components`` in order: repeatability, reproducibility, interaction, gauge, parts, total.

    ``gauge_percent`` is the gauge's share of the total standard deviation; the usual reading (AIAG): under 10 good, to
    30 perhaps good enough, above not. ``categories`` is how many groups of parts the gauge can tell apart, at least 5
    wanted. ``ranges_outside`` are (operator, part) pairs whose trials disagree more than chance allows.
    """

    method: Method
    operators: int
    parts: int
    trials: int
    components: tuple[Component, ...]
    categories: int
    anova: tuple[AnovaLine, ...]
    interaction_pooled: bool
    ranges_outside: tuple[tuple[int, int], ...]

    def component(self, name: str) -> Component:
        return next(component for component in self.components if component.name == name)

    @property
    def gauge_percent(self) -> float:
        return 100 * self.component("gauge").of_total


def gauge_anova(
    readings: Sequence[Any] | Floats, *, tolerance: float | None = None, pool_above: float = POOL_ABOVE
) -> GaugeStudy:
    """Components of variance by two-way analysis of variance with random operators and parts.

    ``readings`` of shape (operators, parts, trials), at least 2 of each; ``tolerance`` is the full width (upper minus
    lower limit). A negative estimate of a component counts as 0. Raises SpcError.
    """
    data = _crossed(readings)
    operators, parts, trials = data.shape
    grand = data.mean()
    by_operator, by_part, by_cell = data.mean(axis=(1, 2)), data.mean(axis=(0, 2)), data.mean(axis=2)
    within = float(((data - by_cell[:, :, None]) ** 2).sum())
    of_operators = float(parts * trials * ((by_operator - grand) ** 2).sum())
    of_parts = float(operators * trials * ((by_part - grand) ** 2).sum())
    of_cells = float(trials * ((by_cell - grand) ** 2).sum())
    interaction = max(0.0, of_cells - of_operators - of_parts)
    df_op, df_part = operators - 1, parts - 1
    df_int, df_within = df_op * df_part, operators * parts * (trials - 1)
    ms_op, ms_part = of_operators / df_op, of_parts / df_part
    ms_int, ms_within = interaction / df_int, within / df_within
    p_int = _probability(ms_int, ms_within, df_int, df_within)
    pooled = p_int > pool_above
    if pooled:
        error, df_error = (interaction + within) / (df_int + df_within), df_int + df_within
        repeat, mixed = error, 0.0
    else:
        error, df_error = ms_int, df_int
        repeat, mixed = ms_within, max(0.0, (ms_int - ms_within) / trials)
    of_op = max(0.0, (ms_op - error) / (parts * trials))
    of_part = max(0.0, (ms_part - error) / (operators * trials))
    table = (
        AnovaLine("operators", df_op, of_operators, ms_op, *_tested(ms_op, error, df_op, df_error)),
        AnovaLine("parts", df_part, of_parts, ms_part, *_tested(ms_part, error, df_part, df_error)),
        AnovaLine("interaction", df_int, interaction, ms_int, *_tested(ms_int, ms_within, df_int, df_within)),
        AnovaLine("repeatability", df_within, within, ms_within),
        AnovaLine("total", data.size - 1, of_operators + of_parts + interaction + within, float(data.var(ddof=1))),
    )
    variances = {"repeatability": repeat, "operators": of_op, "interaction": mixed, "parts": of_part}
    return _study("anova", data, variances, tolerance, table, pooled)


def gauge_average_range(readings: Sequence[Any] | Floats, *, tolerance: float | None = None) -> GaugeStudy:
    """Components by averages and ranges (AIAG MSA, the long study): simple, and blind to an interaction.

    Repeatability is the mean range / d2(trials), operators and parts the range of their averages / d2*, the operators
    less what repeatability adds to them. Shapes and errors as in ``gauge_anova``.
    """
    data = _crossed(readings)
    operators, parts, trials = data.shape
    repeat = float(np.ptp(data, axis=2).mean()) / range_constants(trials).d2
    operator_range = float(np.ptp(data.mean(axis=(1, 2))))
    part_range = float(np.ptp(data.mean(axis=(0, 2))))
    of_op = (operator_range / range_constants(operators).d2_star) ** 2 - repeat**2 / (parts * trials)
    of_part = (part_range / range_constants(parts).d2_star) ** 2
    variances = {
        "repeatability": repeat**2,
        "operators": max(0.0, of_op),
        "interaction": 0.0,
        "parts": of_part,
    }
    return _study("average_range", data, variances, tolerance, (), False)


def _crossed(readings: Sequence[Any] | Floats) -> Floats:
    try:
        data = np.asarray(readings, dtype=np.float64)
    except ValueError as error:
        raise SpcError("every operator must measure every part the same number of times") from error
    if data.ndim != 3 or min(data.shape) < 2:
        raise SpcError("at least two operators, two parts and two trials are needed")
    finite(data, "readings")
    if not np.ptp(data) > 0:
        raise SpcError("readings that do not vary say nothing about the gauge")
    return data


def _study(
    method: Method,
    data: Floats,
    variances: dict[str, float],
    tolerance: float | None,
    table: tuple[AnovaLine, ...],
    pooled: bool,
) -> GaugeStudy:
    if tolerance is not None and tolerance <= 0:
        raise SpcError("the tolerance is a positive width")
    reproduce = variances["operators"] + variances["interaction"]
    gauge = variances["repeatability"] + reproduce
    parts = variances["parts"]
    total = gauge + parts
    shown = {
        "repeatability": variances["repeatability"],
        "reproducibility": reproduce,
        "interaction": variances["interaction"],
        "gauge": gauge,
        "parts": parts,
        "total": total,
    }
    components = tuple(
        Component(
            name=name,
            sigma=math.sqrt(variance),
            contribution=variance / total,
            of_total=math.sqrt(variance / total),
            of_tolerance=None if tolerance is None else SPREAD * math.sqrt(variance) / tolerance,
        )
        for name, variance in shown.items()
    )
    operators, of_parts, trials = data.shape
    return GaugeStudy(
        method=method,
        operators=operators,
        parts=of_parts,
        trials=trials,
        components=components,
        categories=_categories(parts, gauge),
        anova=table,
        interaction_pooled=pooled,
        ranges_outside=_ranges_outside(data),
    )


#: Where measuring adds nothing that can be seen, the number of categories has no bound; it is shown as this.
MOST_CATEGORIES = 1000


def _categories(parts: float, gauge: float) -> int:
    """1.41 x parts / gauge, rounded down (AIAG), never below 1."""
    if gauge == 0:
        return MOST_CATEGORIES
    return min(MOST_CATEGORIES, max(1, math.floor(1.41 * math.sqrt(parts / gauge))))


def _ranges_outside(data: Floats) -> tuple[tuple[int, int], ...]:
    ranges = np.ptp(data, axis=2)
    limit = range_constants(data.shape[2]).upper * ranges.mean()
    return tuple((int(operator), int(part)) for operator, part in np.argwhere(ranges > limit))


def _tested(mean_square: float, error: float, freedom: int, of_error: int) -> tuple[float | None, float | None]:
    if error == 0:
        return None, None
    return mean_square / error, _probability(mean_square, error, freedom, of_error)


def _probability(mean_square: float, error: float, freedom: int, of_error: int) -> float:
    if error == 0:
        return 0.0 if mean_square > 0 else 1.0
    return float(special.fdtrc(freedom, of_error, mean_square / error))
