"""Rules that tell an unusual run of points from chance: Western Electric's four, and two further runs.

Rules 1 to 4 are those of the Statistical Quality Control Handbook (Western Electric, 1956); 5 and 6 are listed with
them in the NIST e-Handbook, 6.3.2 (points trending, points alternating). Each rule added finds more and cries wolf more
often: a steady normal process breaks one of rules 1 to 4 about every 92 points (Champ and Woodall 1987, as NIST cites).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from .errors import SpcError
from .inputs import Floats, series

Side = Literal["above", "below", "both"]
Flags = NDArray[np.bool_]

#: What each rule says.
RULES: dict[int, str] = {
    1: "one point beyond 3 sigma",
    2: "two of three points in a row beyond 2 sigma on one side",
    3: "four of five points in a row beyond 1 sigma on one side",
    4: "eight points in a row on one side of the centre",
    5: "six points in a row rising or falling",
    6: "fourteen points in a row alternating up and down",
}
WESTERN_ELECTRIC = (1, 2, 3, 4)
#: rule -> (points of the window that must lie beyond, window, sigmas).
_ZONES: dict[int, tuple[int, int, float]] = {1: (1, 1, 3.0), 2: (2, 3, 2.0), 3: (4, 5, 1.0), 4: (8, 8, 0.0)}


@dataclass(frozen=True, slots=True)
class RuleBreak:
    """A rule broken by a run of points. ``points`` are the positions that lie beyond (rules 1 to 4) or make the run;
    overlapping runs of one rule and side are one break. ``side`` of a trend: above rises, below falls."""

    rule: int
    side: Side
    points: tuple[int, ...]

    @property
    def words(self) -> str:
        return RULES[self.rule]

    @property
    def first(self) -> int:
        return self.points[0]

    @property
    def last(self) -> int:
        return self.points[-1]


def rule_breaks(
    values: Sequence[float] | Floats, *, centre: float, sigma: float, rules: Iterable[int] = WESTERN_ELECTRIC
) -> list[RuleBreak]:
    """Every break of the rules asked for, by position of its first point, then by rule.

    Beyond means strictly beyond; a point exactly on a line is on no side. With sigma 0 only rules about the centre and
    about direction can speak. Raises SpcError for an unknown rule or a negative sigma.
    """
    wanted = sorted(set(rules))
    if unknown := [rule for rule in wanted if rule not in RULES]:
        raise SpcError(f"there is no rule {unknown[0]}")
    if sigma < 0:
        raise SpcError("sigma is not negative")
    found = series(values, at_least=0) - centre
    breaks: list[RuleBreak] = []
    for rule in wanted:
        if rule in _ZONES:
            breaks += _zone_breaks(rule, found, sigma)
        elif rule == 5:
            breaks += _trends(found)
        else:
            breaks += _alternations(found)
    return sorted(breaks, key=lambda each: (each.first, each.rule, each.side))


def _zone_breaks(rule: int, values: Floats, sigma: float) -> list[RuleBreak]:
    needed, window, sigmas = _ZONES[rule]
    if sigma == 0 and sigmas > 0:
        return []
    sides: list[tuple[Side, Flags]] = [("above", values > sigmas * sigma), ("below", values < -sigmas * sigma)]
    found = []
    for side, beyond in sides:
        if len(values) >= window:
            hits = sliding_window_view(beyond, window).sum(axis=1) >= needed
            found += [RuleBreak(rule, side, points) for points in _runs(hits, window, beyond)]
    return found


def _trends(values: Floats) -> list[RuleBreak]:
    steps = np.diff(values)
    sides: list[tuple[Side, Flags]] = [("above", steps > 0), ("below", steps < 0)]
    everything = np.ones(len(values), dtype=bool)
    found = []
    for side, moving in sides:
        if len(steps) >= 5:
            hits = sliding_window_view(moving, 5).sum(axis=1) == 5
            found += [RuleBreak(5, side, points) for points in _runs(hits, 6, everything)]
    return found


def _alternations(values: Floats) -> list[RuleBreak]:
    steps = np.sign(np.diff(values))
    if len(steps) < 13:
        return []
    turning = steps[1:] * steps[:-1] < 0
    hits = sliding_window_view(turning, 12).sum(axis=1) == 12
    everything = np.ones(len(values), dtype=bool)
    return [RuleBreak(6, "both", points) for points in _runs(hits, 14, everything)]


def _runs(hits: Flags, window: int, beyond: Flags) -> list[tuple[int, ...]]:
    """Of windows that hit (by their first position), the points beyond, one tuple per stretch of overlapping windows.

    Points at the ends that no hit needs (not beyond) are left out.
    """
    starts = np.flatnonzero(hits)
    if not len(starts):
        return []
    gaps = np.flatnonzero(np.diff(starts) >= window) + 1 if window > 1 else np.arange(1, len(starts))
    found = []
    for stretch in np.split(starts, gaps):
        covered = np.arange(stretch[0], stretch[-1] + window)
        found.append(tuple(covered[beyond[covered]].tolist()))
    return found
