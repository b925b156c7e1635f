"""Exponentially weighted moving average: sees small lasting shifts that single values hide."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .errors import SpcError
from .inputs import Floats, series


@dataclass(frozen=True, slots=True, eq=False)
class EwmaChart:
    """``averages[i]`` = weight x values[i] + (1 - weight) x the average before; arrays of shape (n,).

    ``lower`` and ``upper`` are the exact limits of each point, which widen towards ``steady_lower``/``steady_upper``.
    """

    averages: Floats
    centre: float
    sigma: float
    weight: float
    width: float
    lower: Floats
    upper: Floats
    steady_lower: float
    steady_upper: float

    @property
    def outside(self) -> list[int]:
        """Positions of the points beyond their limits."""
        return np.flatnonzero((self.averages < self.lower) | (self.averages > self.upper)).tolist()


def ewma(
    values: Sequence[float] | Floats, *, centre: float, sigma: float, weight: float = 0.2, width: float = 3.0
) -> EwmaChart:
    """The chart around ``centre`` for values of standard deviation ``sigma`` (NIST e-Handbook 6.3.2.4).

    ``weight`` (lambda, over 0 to 1) is the share of the newest value, ``width`` (L) the limits in standard deviations
    of the average, whose variance after i values is sigma^2 x weight/(2 - weight) x (1 - (1 - weight)^(2i)). With
    weight 1 it is the chart of single values. Raises SpcError.
    """
    found = series(values, at_least=1)
    if not 0 < weight <= 1:
        raise SpcError("the weight lies over 0 and up to 1")
    if width <= 0 or sigma < 0:
        raise SpcError("the width is positive and sigma is not negative")
    averages = np.empty_like(found)
    before = float(centre)
    for position, value in enumerate(found.tolist()):
        before += weight * (value - before)
        averages[position] = before
    share = weight / (2 - weight)
    growth = 1 - (1 - weight) ** (2 * np.arange(1, len(found) + 1))
    reach = width * sigma * np.sqrt(share * growth)
    steady = width * sigma * np.sqrt(share)
    return EwmaChart(
        averages=averages,
        centre=float(centre),
        sigma=float(sigma),
        weight=float(weight),
        width=float(width),
        lower=centre - reach,
        upper=centre + reach,
        steady_lower=float(centre - steady),
        steady_upper=float(centre + steady),
    )
