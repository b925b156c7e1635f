"""Capability: how the spread of a process compares with the limits it must keep, with how sure that is.

Formulas: NIST e-Handbook 6.1.6. Cp and Cpk take the short-term standard deviation (from moving ranges), Pp and Ppk the
overall one. All suppose a steady, roughly normal process: look at the control chart first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from .charts import individuals
from .errors import SpcError
from .inputs import Floats, series

#: Degrees of freedom of a standard deviation from moving ranges of two, per value beyond the first: the variance of the
#: mean moving range of n normal values is about 0.8264 (mean range)^2 / n, which is worth 0.605 n degrees of freedom
#: (derived; tables print 0.62 for small n).
MOVING_RANGE_EFFICIENCY = 0.605


@dataclass(frozen=True, slots=True)
class Index:
    """An index with its two-sided confidence interval."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Capability:
    """``cp`` and ``pp`` are None with one limit only. ``expected_outside`` is the share beyond the limits of a normal
    distribution with the overall spread, ``outside`` the share of the values that were."""

    count: int
    mean: float
    sigma_within: float
    sigma_overall: float
    confidence: float
    cp: Index | None
    cpk: Index
    pp: Index | None
    ppk: Index
    outside: float
    expected_outside: float


def capability(
    values: Sequence[float] | Floats,
    *,
    lower: float | None = None,
    upper: float | None = None,
    sigma_within: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Capability of values in the order they were taken against a lower and/or an upper limit.

    Intervals: Cp and Pp by chi-square; Cpk and Ppk by the normal approximation k +/- z sqrt(1/(9 n) + k^2/(2 v)), v the
    degrees of freedom of the standard deviation (NIST e-Handbook 6.1.6). Raises SpcError for fewer than 3 values,
    no limit, limits out of order, or values that do not vary.
    """
    found = series(values, at_least=3)
    if lower is None and upper is None:
        raise SpcError("at least one limit is needed")
    if lower is not None and upper is not None and lower >= upper:
        raise SpcError("the lower limit lies below the upper one")
    if not 0 < confidence < 1:
        raise SpcError("the confidence lies between 0 and 1")
    count, mean, overall = len(found), float(found.mean()), float(found.std(ddof=1))
    within = individuals(found).sigma if sigma_within is None else sigma_within
    if not within > 0 or not overall > 0:
        raise SpcError("values that do not vary have no capability")
    short, long = MOVING_RANGE_EFFICIENCY * (count - 1), float(count - 1)
    both = lower is not None and upper is not None
    width = (upper or 0.0) - (lower or 0.0)
    beyond = np.zeros(count, dtype=bool)
    if lower is not None:
        beyond |= found < lower
    if upper is not None:
        beyond |= found > upper
    return Capability(
        count=count,
        mean=mean,
        sigma_within=within,
        sigma_overall=overall,
        confidence=confidence,
        cp=_spread_index(width / (6 * within), short, confidence) if both else None,
        cpk=_nearest_index(_nearest(mean, lower, upper) / (3 * within), count, short, confidence),
        pp=_spread_index(width / (6 * overall), long, confidence) if both else None,
        ppk=_nearest_index(_nearest(mean, lower, upper) / (3 * overall), count, long, confidence),
        outside=float(beyond.mean()),
        expected_outside=_expected_outside(mean, overall, lower, upper),
    )


def _nearest(mean: float, lower: float | None, upper: float | None) -> float:
    """Distance from the mean to the nearer limit; negative beyond it."""
    distances = [mean - lower] if lower is not None else []
    if upper is not None:
        distances.append(upper - mean)
    return min(distances)


def _spread_index(value: float, freedom: float, confidence: float) -> Index:
    tail = (1 - confidence) / 2
    low, high = (math.sqrt(float(special.chdtri(freedom, 1 - p)) / freedom) for p in (tail, 1 - tail))
    return Index(value, value * low, value * high)


def _nearest_index(value: float, count: int, freedom: float, confidence: float) -> Index:
    reach = float(special.ndtri((1 + confidence) / 2)) * math.sqrt(1 / (9 * count) + value**2 / (2 * freedom))
    return Index(value, value - reach, value + reach)


def _expected_outside(mean: float, sigma: float, lower: float | None, upper: float | None) -> float:
    below = 0.0 if lower is None else float(special.ndtr((lower - mean) / sigma))
    above = 0.0 if upper is None else float(special.ndtr((mean - upper) / sigma))
    return below + above
