"""A report reads facts for the days that are built and not stale, and the raw rows for all others.

Which days those are is asked first, so an answer is never older than the raw rows were when it was begun. However the
other days lie, they are read from the raw rows in at most ``MOST_WINDOWS`` pieces and one for the branches of which
most days are wanting: a bounded number of queries.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any

from django.db.models import Count, F, Max, Q, QuerySet, Sum

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.sums import MoneySum
from opticshop.quality.figures import SPANS, Cell, span_label

from ..registry import TOTAL, Scope
from .models import Fact, FactDay, StaleDays
from .versions import made_with

WHY = "facts of branches whose figures the asker may see"
MOST_WINDOWS = 3
A_DAY = dt.timedelta(days=1)
#: (label of the group, currency or "") -> name -> what was added up: a number, or how often each value was seen.
Counts = dict[tuple[str, str], dict[str, Any]]
#: The same of each branch and day by itself; None for all of them together.
Cells = dict[tuple[Cell | None, str, str], dict[str, Any]]

_reading: ContextVar[bool] = ContextVar("facts_are_read", default=True)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of facts. ``raw`` counts it from the raw rows for any scope, by whatever grouping the report offers, and
    for each branch and day by itself if it is asked to, with as many queries.

    ``groupings`` are those of which a row a day is kept, besides the whole of the day.
    """

    name: str
    model: type[Fact]
    columns: tuple[str, ...]
    raw: Callable[[Scope, bool], Cells]
    groupings: tuple[str, ...] = ()
    histograms: bool = False


kinds: dict[str, Kind] = {}


def keep(kind: Kind) -> Kind:
    """Enter a kind of facts under its name."""
    kinds[kind.name] = kind
    return kind


@contextmanager
def without_facts() -> Iterator[None]:
    """Within, reports count the raw rows alone: to build facts, and to compare."""
    token = _reading.set(False)
    try:
        yield
    finally:
        _reading.reset(token)


def counted(kind: Kind, scope: Scope) -> Counts:
    """What ``kind.raw`` would count, with facts where they are good.

    Three queries, another where days are wanting, and those of at most four raw counts.
    """
    parts = _parted(scope) if _reading.get() and scope.branches else None
    found: Counts = {}
    for window in parts.windows if parts else (scope,):
        add(found, counted_raw_of(kind, window))
    if parts:
        add(found, _kept(kind, scope, parts))
    return found


def counted_raw_of(kind: Kind, scope: Scope) -> Counts:
    """What the raw rows say."""
    return {(label, currency): values for (_, label, currency), values in kind.raw(scope, False).items()}


def add(into: dict[Any, dict[str, Any]], more: Mapping[Any, Mapping[str, Any]]) -> None:
    """Add the second to the first, group by group."""
    for key, values in more.items():
        mine = into.get(key)
        if mine is None:
            mine = into[key] = {}
        for name, value in values.items():
            if isinstance(value, Counter):
                mine.setdefault(name, Counter()).update(value)
            else:
                mine[name] = mine.get(name, 0) + value


@dataclass(frozen=True, slots=True)
class Parts:
    """``windows`` are read raw; what is kept of ``branches`` is read but for what lies in a window."""

    windows: tuple[Scope, ...]
    branches: tuple[Branch, ...]


def _parted(scope: Scope) -> Parts | None:
    """None where no fact is of any use."""
    missing = wanting(scope)
    length = (scope.until - scope.since).days + 1
    apart = [branch for branch in scope.branches if len(missing[branch.id]) * 2 > length]
    kept = [branch for branch in scope.branches if len(missing[branch.id]) * 2 <= length]
    if not kept:
        return None
    windows = [replace(scope, branches=tuple(apart))] if apart else []
    for first, last in _windows(sorted({day for branch in kept for day in missing[branch.id]})):
        those = tuple(branch for branch in kept if any(first <= day <= last for day in missing[branch.id]))
        windows.append(replace(scope, since=first, until=last, branches=those))
    return Parts(tuple(windows), tuple(kept))


def _windows(days: Sequence[dt.date]) -> list[tuple[dt.date, dt.date]]:
    """The days as few spans, cut where the widest gaps are."""
    if not days:
        return []
    gaps = sorted(range(1, len(days)), key=lambda place: days[place - 1] - days[place])[: MOST_WINDOWS - 1]
    cuts = sorted(place for place in gaps if days[place] - days[place - 1] > A_DAY)
    starts, ends = [0, *cuts], [*cuts, len(days)]
    return [(days[start], days[end - 1]) for start, end in zip(starts, ends, strict=True)]


def wanting(scope: Scope) -> dict[uuid.UUID, set[dt.date]]:
    """Branch -> the days of the scope of which no fact may be read: not built, built otherwise, stale, or not over.

    Two queries, and a third where not every day of each branch is built.
    """
    stale = stale_days(scope)
    built = FactDay.objects.everywhere(WHY).filter(
        branch__in=scope.branches, day__range=(scope.since, scope.until), made_with=made_with()
    )
    groups = built.order_by().values_list("branch_id", "time_zone", "currency")
    numbers = {
        (branch, zone, currency): (number, last)
        for branch, zone, currency, number, last in groups.annotate(Count("id"), Max("day"))
    }
    missing: dict[uuid.UUID, set[dt.date]] = {}
    listed: list[Branch] = []
    for branch in scope.branches:
        until = min(scope.until, clock.today(branch.time_zone) - A_DAY)
        length = (until - scope.since).days + 1
        number, last = numbers.get((branch.id, branch.time_zone, branch.currency), (0, until))
        if number == length and last <= until:
            missing[branch.id] = stale[branch.id].union(_days(until + A_DAY, scope.until))
        else:
            listed.append(branch)
    if listed:
        fit: dict[uuid.UUID, set[dt.date]] = defaultdict(set)
        known = {branch.id: (branch.time_zone, branch.currency, clock.today(branch.time_zone)) for branch in listed}
        rows = built.filter(branch__in=listed).values_list("branch_id", "day", "time_zone", "currency")
        for branch_id, day, *made in rows:
            zone, currency, today = known[branch_id]
            if made == [zone, currency] and day < today:
                fit[branch_id].add(day)
        every = set(_days(scope.since, scope.until))
        missing |= {branch.id: (every - fit[branch.id]) | stale[branch.id] for branch in listed}
    return missing


def _days(first: dt.date, last: dt.date) -> list[dt.date]:
    return [first + A_DAY * place for place in range((last - first).days + 1)]


def stale_days(scope: Scope) -> dict[uuid.UUID, set[dt.date]]:
    """Branch -> the days of the scope that are marked. One query."""
    marks = StaleDays.objects.everywhere(WHY).filter(
        Q(last_day__isnull=True) | Q(last_day__gte=scope.since), branch__in=scope.branches, first_day__lte=scope.until
    )
    found: dict[uuid.UUID, set[dt.date]] = defaultdict(set)
    for branch_id, first, last in marks.order_by().values_list("branch_id", "first_day", "last_day").distinct():
        day, end = max(first, scope.since), min(last or scope.until, scope.until)
        while day <= end:
            found[branch_id].add(day)
            day += A_DAY
    return found


def _kept(kind: Kind, scope: Scope, parts: Parts) -> Counts:
    """What is kept of the days that lie in no window. One query."""
    by = scope.by
    rows: QuerySet[Any] = kind.model.objects.everywhere(WHY).filter(
        branch__in=parts.branches,
        day__range=(scope.since, scope.until),
        grouping=by if by in kind.groupings else "",
    )
    for window in parts.windows:
        rows = rows.exclude(branch__in=window.branches, day__range=(window.since, window.until))
    key = "day" if by in SPANS else "branch_id" if by == "branch" else "label"
    codes = {branch.id: branch.code for branch in scope.branches}

    def label(group: Any) -> str:
        if by in SPANS:
            return span_label(group, by)
        return "Total" if by == TOTAL else codes[group] if by == "branch" else str(group)

    found: Counts = {}
    for group, currency, *values in _seen(kind, rows, key) if kind.histograms else _summed(kind, rows, key):
        add(found, {(label(group), currency): dict(zip(kind.columns, values, strict=True))})
    return found


def _summed(kind: Kind, rows: QuerySet[Any], key: str) -> Iterable[tuple[Any, ...]]:
    sums: dict[str, Any] = {}
    for name in kind.columns:
        is_money = kind.model._meta.get_field(name).get_internal_type() == "DecimalField"
        sums[f"sum_{name}"] = MoneySum(name) if is_money else Sum(name)
    yield from rows.order_by().annotate(group=F(key)).values_list("group", "currency").annotate(**sums)


def _seen(kind: Kind, rows: QuerySet[Any], key: str) -> Iterable[tuple[Any, ...]]:
    found: dict[tuple[Any, str], list[dict[str, int]]] = {}
    for group, currency, *seen in rows.order_by().values_list(key, "currency", *kind.columns).iterator():
        into = found.get((group, currency))
        if into is None:
            found[group, currency] = list(seen)
            continue
        for mine, other in zip(into, seen, strict=True):
            for value, count in other.items():
                mine[value] = mine.get(value, 0) + count
    for (group, currency), into in found.items():
        yield group, currency, *(Counter({int(value): count for value, count in each.items()}) for each in into)
