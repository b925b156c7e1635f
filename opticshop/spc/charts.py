"""Shewhart charts: single values with their moving range, and means with ranges of small groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .constants import range_constants
from .errors import SpcError
from .inputs import Floats, finite, series


@dataclass(frozen=True, slots=True, eq=False)
class IndividualsChart:
    """Single values in the order they were taken, and the absolute steps between them (one fewer).

    ``sigma`` is the short-term standard deviation, mean moving range / d2(2). Limits are in the unit of the values.
    """

    values: Floats
    centre: float
    sigma: float
    lower: float
    upper: float
    moving_ranges: Floats
    mean_moving_range: float
    moving_range_upper: float


@dataclass(frozen=True, slots=True, eq=False)
class SubgroupChart:
    """Means and ranges of k groups of n values; arrays of shape (k,)."""

    means: Floats
    centre: float
    sigma: float
    lower: float
    upper: float
    ranges: Floats
    mean_range: float
    range_lower: float
    range_upper: float


def individuals(
    values: Sequence[float] | Floats, *, centre: float | None = None, sigma: float | None = None
) -> IndividualsChart:
    """Chart of single values, limits at centre +/- 3 sigma (NIST e-Handbook 6.3.2.2).

    With ``centre`` and ``sigma`` given (from an earlier, steady period) the limits are those; otherwise both are
    estimated from the values. Raises SpcError for fewer than two values or a negative sigma.
    """
    found = series(values, at_least=2)
    constants = range_constants(2)
    steps = np.abs(np.diff(found))
    mean_step = float(steps.mean())
    middle = float(found.mean()) if centre is None else float(centre)
    spread = mean_step / constants.d2 if sigma is None else float(sigma)
    if spread < 0:
        raise SpcError("sigma is not negative")
    expected_step = mean_step if sigma is None else spread * constants.d2
    return IndividualsChart(
        values=found,
        centre=middle,
        sigma=spread,
        lower=middle - 3 * spread,
        upper=middle + 3 * spread,
        moving_ranges=steps,
        mean_moving_range=mean_step,
        moving_range_upper=constants.upper * expected_step,
    )


def subgroups(values: Sequence[Sequence[float]] | Any) -> SubgroupChart:
    """Means and ranges of groups, shape (k, n), k >= 2 and n 2 to 15 (NIST e-Handbook 6.3.2.1). Raises SpcError."""
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 2 or found.shape[0] < 2:
        raise SpcError("at least two groups of equal size are needed")
    finite(found)
    constants = range_constants(found.shape[1])
    means, ranges = found.mean(axis=1), np.ptp(found, axis=1)
    centre, mean_range = float(means.mean()), float(ranges.mean())
    return SubgroupChart(
        means=means,
        centre=centre,
        sigma=mean_range / constants.d2,
        lower=centre - constants.a2 * mean_range,
        upper=centre + constants.a2 * mean_range,
        ranges=ranges,
        mean_range=mean_range,
        range_lower=constants.lower * mean_range,
        range_upper=constants.upper * mean_range,
    )
