"""A report reckoned in parts, so that who waits for it sees it move.

Only rows that come of one branch or of one day, week or month are cut apart: a total or a share of a product cannot be
put together from parts. Put together, the parts are what the whole would be; a test compares them for every report.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace

from opticshop.quality.figures import SPANS

from .registry import TOTAL, Report, Row, Scope

#: How many parts there are at most.
MOST_PARTS = 24
#: Weeks are reckoned so many at once; days and months by the month.
_WEEKS_AT_ONCE = dt.timedelta(weeks=5)

Reckoned = Callable[[], None]


def parts_of(scope: Scope) -> list[Scope]:
    """In the order in which their rows stand in the whole; the scope itself where it is not cut."""
    if scope.by == "branch" and len(scope.branches) > 1:
        ordered = sorted(scope.branches, key=lambda branch: branch.code)
        size = -(-len(ordered) // MOST_PARTS)
        return [replace(scope, branches=tuple(ordered[start : start + size])) for start in range(0, len(ordered), size)]
    if scope.by in SPANS:
        return [replace(scope, since=since, until=until) for since, until in _stretches(scope)]
    return [scope]


def in_parts(reckoned: Reckoned) -> Callable[[Report, Scope], Sequence[Row]]:
    """The figures of a report, with a call after each part."""

    def figures(report: Report, scope: Scope) -> Sequence[Row]:
        rows: list[Row] = []
        for part in parts_of(scope):
            rows += report.figures(part)
            reckoned()
        return rows

    return figures


def count_of(scope: Scope, earlier: Scope | None, *, with_totals: bool) -> int:
    """How many parts are reckoned in all, of the period and of the earlier one."""
    scopes = [each for each in (scope, earlier) if each is not None]
    totals = len(scopes) if with_totals and scope.by != TOTAL else 0
    return sum(len(parts_of(each)) for each in scopes) + totals


def _stretches(scope: Scope) -> list[tuple[dt.date, dt.date]]:
    """Days from the first to the last, cut where a month begins, or a week."""
    found: list[tuple[dt.date, dt.date]] = []
    first = scope.since
    while first <= scope.until:
        if scope.by == "week":
            after = first - dt.timedelta(days=first.weekday()) + _WEEKS_AT_ONCE
        else:
            after = (first.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
        found.append((first, min(after - dt.timedelta(days=1), scope.until)))
        first = after
    return found
