"""Distributions of whole pieces, Poisson and negative binomial, on scipy's special functions.

``scipy.stats`` says the same (the tests hold them against each other) but takes a thousand times longer per value than
the special functions under it, and a grid has thousands of cells. The methods carry the names of ``scipy.stats``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from scipy import special

#: Above this many pieces in one cell something is wrong with the numbers.
HIGHEST_LEVEL = 100_000


class Counts(Protocol):
    """A demand of 0, 1, 2, ... pieces."""

    def mean(self) -> float: ...

    def cdf(self, level: float) -> float:
        """P(D <= level)."""
        ...

    def sf(self, level: float) -> float:
        """P(D > level), accurate where it is small."""
        ...

    def ppf(self, probability: float) -> int:
        """The smallest whole level with P(D <= level) >= probability, which lies strictly between 0 and 1."""
        ...

    def short(self, level: float) -> float:
        """E[(D - level)+]: pieces that the level does not cover."""
        ...


class _Common:
    def cdf(self, level: float) -> float:
        raise NotImplementedError

    def ppf(self, probability: float) -> int:
        if not 0 < probability < 1:
            raise ValueError("a probability lies strictly between 0 and 1")
        low, high = -1, 1
        while self.cdf(high) < probability:
            low, high = high, high * 2
            if high > HIGHEST_LEVEL:
                raise ValueError("no level covers so much of the demand")
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self.cdf(middle) >= probability else (middle, high)
        return high


@dataclass(frozen=True, slots=True)
class Poisson(_Common):
    """Pieces that come one by one, independently; ``rate`` is the mean, not negative."""

    rate: float

    def mean(self) -> float:
        return self.rate

    def cdf(self, level: float) -> float:
        return float(special.pdtr(math.floor(level), self.rate)) if level >= 0 else 0.0

    def sf(self, level: float) -> float:
        return float(special.pdtrc(math.floor(level), self.rate)) if level >= 0 else 1.0

    def short(self, level: float) -> float:
        """rate P(D >= level) - level P(D > level), since D conditioned by size is D + 1."""
        if level < 0 or self.rate == 0:
            return max(0.0, self.rate - level)
        whole = math.floor(level)
        return max(0.0, self.rate * self.sf(whole - 1) - level * self.sf(whole))


@dataclass(frozen=True, slots=True)
class NegativeBinomial(_Common):
    """Pieces that come in clumps, or at an uncertain rate: ``shape`` r > 0, ``p`` in (0, 1), mean r (1 - p) / p."""

    shape: float
    p: float

    def mean(self) -> float:
        return self.shape * (1 - self.p) / self.p

    def cdf(self, level: float) -> float:
        return float(special.betainc(self.shape, math.floor(level) + 1, self.p)) if level >= 0 else 0.0

    def sf(self, level: float) -> float:
        return float(special.betainc(math.floor(level) + 1, self.shape, 1 - self.p)) if level >= 0 else 1.0

    def short(self, level: float) -> float:
        """As for Poisson; conditioned by size, D is 1 plus a negative binomial with one more of shape."""
        if level < 0:
            return self.mean() - level
        whole = math.floor(level)
        biased = NegativeBinomial(self.shape + 1, self.p)
        return max(0.0, self.mean() * biased.sf(whole - 1) - level * self.sf(whole))


def counts(mean: float, variance: float) -> Poisson | NegativeBinomial:
    """The distribution with this mean and variance: Poisson where they are equal, negative binomial above.

    Raises ValueError for a negative mean. A variance below the mean is taken as equal to it.
    """
    if mean < 0:
        raise ValueError("a mean demand is not negative")
    if mean == 0 or variance <= mean * (1 + 1e-9):
        return Poisson(mean)
    return NegativeBinomial(mean**2 / (variance - mean), mean / variance)
