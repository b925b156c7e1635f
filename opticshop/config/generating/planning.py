"""Draws who orders what on which day: batches of orders in the order of their weeks, from a seed.

Weeks grow from year to year and have seasons; a customer comes again after as many orders as there are customers, which
spaces visits evenly. All of it is common practice without a source, good enough to load a database.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .distributions import COMMON, Figure
from .patterns import ARCHIVE, BOOKS, TRAIL, WORK, Pattern

Ints = NDArray[np.int64]

#: Orders of a month over those of a mean one.
SEASONS = Figure((1.08, 0.98, 1.02, 0.97, 0.98, 1.0, 0.96, 0.86, 1.06, 1.04, 1.06, 0.99), COMMON, "L")
GROWTH_A_YEAR = Figure(0.06, COMMON, "L")
#: Ready pairs that nobody came for: share of the orders of the last weeks, and for how many days.
UNCOLLECTED = Figure((0.02, 60), COMMON, "L")
#: How much larger the largest branches are than the smallest (a lognormal distribution's deviation).
BRANCH_SPREAD = Figure(0.45, COMMON, "L")
TOGETHER = 20_000  # orders that are drawn at a time, which bounds memory


@dataclass(frozen=True)
class Drawn:
    """Orders ``first`` and following; ``pattern`` is a place in the list of patterns, ``day`` when the story begins."""

    first: int
    customer: Ints
    pattern: Ints
    day: Ints
    depth: Ints

    def __len__(self) -> int:
        return len(self.customer)


class Plan:
    def __init__(
        self,
        patterns: Sequence[Pattern],
        *,
        orders: int,
        customers: int,
        until: int,
        days: int,
        trail_from: int,
        books_from: int,
        seed: int,
    ) -> None:
        """Days count from 1970; orders lie from ``until - days`` to ``until``."""
        self.patterns, self.orders, self.customers, self.until = patterns, orders, customers, until
        self.trail_from, self.books_from, self.seed = trail_from, books_from, seed
        first = until - days
        self.mondays = np.arange(first - (first + 3) % 7, until + 1, 7)  # 1970-01-01 was a Thursday
        months = self.mondays.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12
        years = (self.mondays - self.mondays[0]) / 365.25
        weight = np.array(SEASONS.value)[months] * (1 + GROWTH_A_YEAR.value) ** years
        edges = np.rint(np.cumsum(weight) / weight.sum() * orders).astype(np.int64)
        self.week_of_edges = edges
        self.weekday = np.array([(each.began + 3) % 7 for each in patterns])
        self.length = np.array([each.length for each in patterns])
        self.is_open = np.array([each.is_open for each in patterns])
        names = sorted({each.group for each in patterns})
        self.group = np.array([names.index(each.group) for each in patterns])
        self.groups = len(names)
        self.share = self._shares()
        self._taste = np.full(customers, -1, np.int8)  # the group of each customer, known from the first order on

    def _shares(self) -> NDArray[np.float64]:
        """Each pattern has its part of the share of its ending."""
        told: dict[str, int] = {}
        for each in self.patterns:
            told[each.name] = told.get(each.name, 0) + 1
        return np.array([each.share / told[each.name] for each in self.patterns])

    def batches(self) -> Iterator[Drawn]:
        for place, start in enumerate(range(0, self.orders, TOGETHER)):
            rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(self.seed, spawn_key=(1, place))))
            yield self._draw(rng, start, min(TOGETHER, self.orders - start))

    def _draw(self, rng: np.random.Generator, start: int, count: int) -> Drawn:
        number = np.arange(start, start + count)
        monday = self.mondays[np.searchsorted(self.week_of_edges, number, side="right")]
        customer = number % self.customers
        group = self._groups(rng, customer, is_first=number < self.customers)
        pattern = self._closed(rng, group)
        day = monday + self.weekday[pattern]
        too_late = day + self.length[pattern] > self.until
        share, most = UNCOLLECTED.value
        forgotten = (rng.random(count) < share) & (self.until - monday < most) & ~too_late
        if np.any(late := too_late | forgotten):
            pattern[late], day[late] = self._open(rng, monday[late], forgotten[late])
        depth = np.where(day >= self.books_from, BOOKS, ARCHIVE)
        depth = np.where(self.is_open[pattern], WORK, depth)
        depth = np.where(day >= self.trail_from, TRAIL, depth)
        return Drawn(start, customer, pattern, day, depth)

    def _groups(self, rng: np.random.Generator, customer: Ints, is_first: NDArray[np.bool_]) -> Ints:
        """People stay in a group of like powers."""
        whole = np.bincount(self.group, self.share * ~self.is_open, self.groups)
        drawn = rng.choice(self.groups, len(customer), p=whole / whole.sum())
        self._taste[customer[is_first]] = drawn[is_first]
        return self._taste[customer].astype(np.int64)

    def _closed(self, rng: np.random.Generator, group: Ints) -> Ints:
        chosen = np.zeros(len(group), np.int64)
        for each in range(self.groups):
            mine = np.flatnonzero(group == each)
            among = np.flatnonzero((self.group == each) & ~self.is_open)
            if len(mine):
                chosen[mine] = rng.choice(among, len(mine), p=self.share[among] / self.share[among].sum())
        return chosen

    def _open(self, rng: np.random.Generator, monday: Ints, forgotten: NDArray[np.bool_]) -> tuple[Ints, Ints]:
        """Stories that are not done with; where none has happened so far by the last day, one that is just placed."""
        among = np.flatnonzero(self.is_open)
        pattern = rng.choice(among, len(monday), p=self.share[among] / self.share[among].sum())
        ready = np.array([each for each in among.tolist() if self.patterns[each].name.startswith("ready")], np.int64)
        if len(ready):
            pattern = np.where(forgotten, rng.choice(ready, len(monday)), pattern)
        shortest = among[np.argmin(self.length[among])]
        pattern = np.where(monday + self.weekday[pattern] + self.length[pattern] > self.until, shortest, pattern)
        day = monday + self.weekday[pattern]
        late = np.maximum(0, day + self.length[pattern] - self.until)
        return pattern, day - -(-late // 7) * 7
