"""What a power cell is asked for: a demand model fitted to counts of pieces per week, borrowing where history is short.

Pure computation on numbers; no Django, no clock. One cell is one lens power at one branch.

A model says the mean per week ``m``, how much demand comes in clumps (``dispersion`` D, variance over mean of a
week, 1 when pieces come one by one) and how unsure we are of the mean (``rate_variance`` v, in (pieces/week)^2). Over
``t`` weeks the demand then has

    mean      m t
    variance  D m t + v t^2

and is taken as Poisson when the two are equal, else as negative binomial with that mean and variance. With v = 0 this
is the compound Poisson process with logarithmic clumps (its negative binomial keeps p and adds up its shape over
time; see for instance Axsater, Inventory Control, from memory); with D = 1 it is what a gamma posterior predicts.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import special

from .counts import NegativeBinomial, Poisson, counts

K = TypeVar("K", bound=Hashable)
Family = Literal["none", "poisson", "negative_binomial"]

#: Fisher's index-of-dispersion test calls demand over-dispersed below this probability.
DISPERSION_SIGNIFICANCE = 0.05
#: A cell is tested alone from this many weeks and pieces on; below, its counts are tested together with the group's.
#: Our choice (no source): with fewer pieces the chi-square approximation of the test is poor.
TEST_WEEKS, TEST_PIECES = 12, 10
#: A branch is never taken as smaller than this share of the average branch, so that a new one still borrows something.
SMALLEST_SIZE = 0.1
#: Weeks of history from which on a branch's size is taken from its own trade. Our choice (no source).
SIZED_WEEKS = 8
_EQUAL = 1e-9


@dataclass(frozen=True, slots=True)
class CellHistory:
    """Pieces taken per week at one branch, oldest week first; ``size`` is the branch's trade relative to the average.

    Only weeks in which the branch kept the product count as history. Counts are whole and not negative; there is at
    least one week.
    """

    weekly: tuple[int, ...]
    size: float = 1.0

    def __post_init__(self) -> None:
        if not self.weekly or any(count < 0 for count in self.weekly):
            raise ValueError("a history has at least one week and no negative counts")
        if not self.size > 0:
            raise ValueError("the size of a branch is positive")

    @property
    def weeks(self) -> int:
        return len(self.weekly)

    @property
    def pieces(self) -> int:
        return sum(self.weekly)


@dataclass(frozen=True, slots=True)
class DemandModel:
    """Demand of one cell per week, as the module says. ``borrowed`` is the share of the mean owed to other branches."""

    mean_per_week: float
    dispersion: float = 1.0
    rate_variance: float = 0.0
    borrowed: float = 0.0

    def __post_init__(self) -> None:
        if self.mean_per_week < 0 or self.rate_variance < 0 or self.dispersion < 1:
            raise ValueError("mean and rate variance are not negative, dispersion is at least 1")

    @property
    def family(self) -> Family:
        """How pieces come at a given mean. That the mean is not exactly known comes on top (``rate_variance``)."""
        if self.mean_per_week == 0:
            return "none"
        return "poisson" if self.dispersion == 1 else "negative_binomial"

    @property
    def mean_error(self) -> float:
        """Standard error of the mean per week."""
        return math.sqrt(self.rate_variance)

    def variance_over(self, weeks: float) -> float:
        return self.dispersion * self.mean_per_week * weeks + self.rate_variance * weeks**2

    def over(self, weeks: float) -> Poisson | NegativeBinomial:
        """Demand in a period. Raises ValueError for a negative period."""
        return counts(self.mean_per_week * weeks, self.variance_over(weeks))


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Fisher's index-of-dispersion test: sum of (x - mean)^2 / mean is chi-square if the counts are Poisson.

    ``index`` is that sum per degree of freedom, the variance over the mean; ``probability`` of at least so much
    spread if the counts were Poisson.
    """

    index: float
    degrees_of_freedom: int
    probability: float

    @property
    def significant(self) -> bool:
        return self.index > 1 and self.probability < DISPERSION_SIGNIFICANCE


def dispersion_test(histories: Sequence[Sequence[int]]) -> Dispersion:
    """The test over one or several cells, each with a mean of its own; cells without demand say nothing."""
    statistic, freedom = 0.0, 0
    for weekly in histories:
        counts = np.asarray(weekly, dtype=float)
        if len(counts) > 1 and counts.sum() > 0:
            statistic += float(((counts - counts.mean()) ** 2).sum() / counts.mean())
            freedom += len(counts) - 1
    if freedom == 0:
        return Dispersion(1.0, 0, 1.0)
    return Dispersion(statistic / freedom, freedom, float(special.chdtrc(freedom, statistic)))


@dataclass(frozen=True, slots=True)
class Prior:
    """What the branches have in common: the gamma distribution of the weekly rate of a branch of average size.

    ``shape`` is infinite when the branches do not differ by more than chance explains.
    """

    mean: float
    shape: float

    @property
    def weeks(self) -> float:
        """How many weeks of a branch's own history the prior weighs."""
        return self.shape / self.mean if self.mean else 0.0


def prior_of(pieces: Sequence[float], exposures: Sequence[float]) -> Prior:
    """The gamma prior of rates from cells with ``pieces`` in ``exposures`` (weeks x size), by the method of moments.

    With r_i = x_i / e_i and r the pooled rate, E[sum e_i (r_i - r)^2] = (k - 1) r + s^2 (E - sum e_i^2 / E), where s^2
    is the variance of the true rates between cells (the moment estimator of DerSimonian and Laird's kind, for Poisson
    rates; cf. Clayton and Kaldor 1987 and Marshall 1991 on empirical Bayes rates; from memory). A negative s^2 is 0.
    """
    x, e = np.asarray(pieces, dtype=float), np.asarray(exposures, dtype=float)
    total, exposure = float(x.sum()), float(e.sum())
    if total == 0:
        return Prior(0.0, math.inf)
    rate = total / exposure
    spread = float((e * (x / e - rate) ** 2).sum()) - (len(x) - 1) * rate
    room = exposure - float((e**2).sum()) / exposure
    between = max(0.0, spread / room) if room > _EQUAL else 0.0
    return Prior(rate, rate**2 / between if between > 0 else math.inf)


def fit(history: CellHistory) -> DemandModel:
    """The model of a cell that stands alone."""
    return fit_group([history])[0]


def fit_group(histories: Sequence[CellHistory]) -> list[DemandModel]:
    """Models of the same lens power at several branches, which share strength (empirical Bayes, gamma-Poisson).

    The rate of a branch of average size has the gamma prior of ``prior_of``; the branch's own pieces move it: with
    exposure e = weeks x size and clumps of size D, shape a + x/D and rate b + e/D. A branch with a long history keeps
    its own rate, one with a short history is drawn to the group's. Where the branches do not differ, all share one
    rate. Alone, a cell has its own rate x/e with the variance x/e^2 (times D).
    """
    group = dispersion_test([history.weekly for history in histories])
    exposures = [history.weeks * max(history.size, SMALLEST_SIZE) for history in histories]
    prior = prior_of([history.pieces for history in histories], exposures)
    pooled = sum(exposures)
    return [
        _posterior(history, exposure, prior, pooled, _dispersion(history, group))
        for history, exposure in zip(histories, exposures, strict=True)
    ]


def _dispersion(history: CellHistory, group: Dispersion) -> float:
    own = history.weeks >= TEST_WEEKS and history.pieces >= TEST_PIECES
    tested = dispersion_test([history.weekly]) if own else group
    return tested.index if tested.significant else 1.0


def _posterior(history: CellHistory, exposure: float, prior: Prior, pooled: float, clump: float) -> DemandModel:
    if prior.mean == 0:
        return DemandModel(0.0)
    if math.isinf(prior.shape):
        mean, variance = prior.mean, prior.mean * clump / pooled
        borrowed = 1 - exposure / pooled
    else:
        rate = prior.weeks + exposure / clump
        shape = prior.shape + history.pieces / clump
        mean, variance = shape / rate, shape / rate**2
        borrowed = prior.weeks / rate
    size = max(history.size, SMALLEST_SIZE)
    return DemandModel(mean * size, clump, variance * size**2, borrowed)


def branch_sizes(pieces: Mapping[K, int], weeks: Mapping[K, int]) -> dict[K, float]:
    """The trade of each branch relative to the average branch: pieces per week of its history over the mean of all.

    A branch with less than SIZED_WEEKS of history counts as average: its trade is not known yet. None is below
    SMALLEST_SIZE.
    """
    rates = {branch: pieces.get(branch, 0) / weeks[branch] for branch in weeks if weeks[branch] >= SIZED_WEEKS}
    mean = sum(rates.values()) / len(rates) if rates else 0.0
    return {
        branch: max(SMALLEST_SIZE, rates[branch] / mean) if branch in rates and mean > 0 else 1.0 for branch in weeks
    }


def drawn(model: DemandModel, days: int, generator: np.random.Generator) -> NDArray[np.int64]:
    """Pieces asked for on each of so many days, drawn from the model as if its mean were known; the caller seeds."""
    daily = DemandModel(model.mean_per_week, model.dispersion).over(1 / 7)
    if isinstance(daily, Poisson):
        return generator.poisson(daily.rate, days)
    return generator.negative_binomial(daily.shape, daily.p, days)
