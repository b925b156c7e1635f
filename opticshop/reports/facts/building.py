"""Facts are built from the raw rows, whole days at once, by the functions that reports count with.

One builder at a time has a branch (its ``FactBranch`` row is locked; another passes on to the next branch). It reads
the marks first, then the raw rows, and takes away only the marks it has read: a change that commits in the meantime
brings its own mark, and the day is built once more. Building a day twice gives the same.
"""

from __future__ import annotations

import datetime as dt
import time
import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection, transaction
from django.db.models import Exists, F, OuterRef, Q, prefetch_related_objects

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.quality.figures import Cell

from ..registry import TOTAL, Scope
from . import triggers
from .models import FactBranch, FactDay, StaleDays
from .reading import A_DAY as A_DAY
from .reading import Kind, kinds, without_facts
from .versions import made_with

WHY = "facts are the service's own"
#: Branches, and days, of one transaction by vendor: on SQLite nobody else writes in the meantime.
MOST_BRANCHES = 50
MOST_DAYS = {"postgresql": 31, "sqlite": 7}
#: Of a branch that nobody has asked to be filled, facts are kept from so many days before on.
FIRST_DAYS = 35
#: (grouping, label, currency) -> column -> value
Group = tuple[str, str, str]
#: Name of a kind -> its groups on one day of one branch.
DayFacts = dict[str, dict[Group, dict[str, Any]]]


class TriggersMissing(RuntimeError):
    """Changes would not be marked, so nothing may be built. ``manage.py migrate`` puts the triggers in place."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Days that follow one another, the same of each of some branches."""

    branches: tuple[Branch, ...]
    first: dt.date
    last: dt.date

    def cells(self) -> list[Cell]:
        days = [self.first + A_DAY * place for place in range((self.last - self.first).days + 1)]
        return [(branch.id, day) for branch in self.branches for day in days]


def counted_raw(stretch: Stretch) -> dict[Cell, DayFacts]:
    """Every fact of each branch and day, from the raw rows: what is kept, and what ``facts_verify`` compares with.

    The number of queries depends on the time zones, and grows a little with the orders (``selling.AT_ONCE``).
    """
    prefetch_related_objects(stretch.branches, "opening_hours", "closures")
    found: dict[Cell, DayFacts] = {cell: {name: {} for name in kinds} for cell in stretch.cells()}
    with without_facts():
        for kind in kinds.values():
            for by in (TOTAL, *kind.groupings):
                scope = Scope(stretch.first, stretch.last, stretch.branches, by)
                for (cell, label, currency), values in kind.raw(scope, True).items():
                    assert cell is not None  # it was asked for
                    group = (by, label, currency) if by != TOTAL else ("", "", currency)
                    found[cell][kind.name][group] = _kept(kind, values)
    return found


def _kept(kind: Kind, values: dict[str, Any]) -> dict[str, Any]:
    if kind.histograms:
        return {name: {str(value): seen for value, seen in sorted(values[name].items())} for name in kind.columns}
    return {name: values[name] for name in kind.columns}


def facts_begin(branch: Branch, since: dt.date) -> FactBranch:
    """Keep facts of a branch from a day on, or from an earlier one than until now."""
    found, _ = FactBranch.objects.everywhere(WHY).get_or_create(branch=branch, defaults={"since": since})
    FactBranch.objects.everywhere(WHY).filter(branch=branch, since__gt=since).update(since=since)
    return found


def stretch_build(stretch: Stretch) -> int:
    """Build the days anew in one transaction; returns how many days of branches were built.

    A branch that another builder has, and one where the last day is not over, is left out.
    """
    with transaction.atomic():
        over = [branch.id for branch in stretch.branches if stretch.last < clock.today(branch.time_zone)]
        mine = _locked(over)
        if not mine:
            return 0
        days = (stretch.first, stretch.last)
        marks = StaleDays.objects.everywhere(WHY).filter(branch__in=mine, last_day__isnull=False)
        seen = list(marks.filter(first_day__gte=days[0], last_day__lte=days[1]).values_list("id", flat=True))
        branches = tuple(Branch.objects.filter(id__in=mine).order_by("id"))  # as they are now: zones decide the days
        here = Stretch(branches, *days)
        found = counted_raw(here)
        for kind in kinds.values():
            kind.model.objects.everywhere(WHY).filter(branch__in=mine, day__range=days).delete()
            kind.model.objects.everywhere(WHY).bulk_create(
                [
                    kind.model(branch_id=branch, day=day, grouping=by, label=label, currency=currency, **values)
                    for (branch, day), facts in found.items()
                    for (by, label, currency), values in facts[kind.name].items()
                ],
                batch_size=2000,
            )
        FactDay.objects.everywhere(WHY).filter(branch__in=mine, day__range=days).delete()
        FactDay.objects.everywhere(WHY).bulk_create(
            [
                FactDay(
                    branch=branch,
                    day=day,
                    time_zone=branch.time_zone,
                    currency=branch.currency,
                    made_with=made_with(),
                )
                for branch in branches
                for _, day in Stretch((branch,), *days).cells()
            ],
            batch_size=2000,
        )
        for start in range(0, len(seen), 5000):
            StaleDays.objects.everywhere(WHY).filter(id__in=seen[start : start + 5000]).delete()
    return len(found)


def facts_renew(*, seconds: float = 60.0) -> int:
    """Build what is stale and the days that are over since; returns how many days of branches were built.

    Safe to run at once. A branch that has no facts yet begins with the last ``FIRST_DAYS`` days. Begins nothing after
    so many seconds. Raises TriggersMissing.
    """
    if not triggers.are_in_place(connection):
        raise TriggersMissing
    ends, built = time.monotonic() + seconds, 0
    known = set(FactBranch.objects.everywhere(WHY).values_list("branch_id", flat=True))
    branches = list(Branch.objects.order_by("code"))
    for branch in branches:
        if branch.id not in known:
            facts_begin(branch, clock.today(branch.time_zone) - A_DAY * FIRST_DAYS)
    marks_tidy([branch.id for branch in branches])
    for stretch in due(branches):
        if time.monotonic() >= ends:
            break
        built += stretch_build(stretch)
    return built


def due(branches: Sequence[Branch], first: dt.date | None = None, last: dt.date | None = None) -> list[Stretch]:
    """The days to build of branches, within what is kept of each, latest first. Three queries.

    Branches of which the same days are due are built together.
    """
    since = dict(FactBranch.objects.everywhere(WHY).filter(branch__in=branches).values_list("branch_id", "since"))
    version, known = made_with(), {branch.id: branch for branch in branches}
    fit: dict[uuid.UUID, set[dt.date]] = defaultdict(set)
    built = FactDay.objects.everywhere(WHY).filter(branch__in=branches, made_with=version)
    built = built.filter(day__range=(first or dt.date.min, last or dt.date.max))
    for branch_id, day, zone, currency in built.values_list("branch_id", "day", "time_zone", "currency"):
        if (zone, currency) == (known[branch_id].time_zone, known[branch_id].currency):
            fit[branch_id].add(day)
    marks = StaleDays.objects.everywhere(WHY).filter(branch__in=branches, last_day__isnull=False)
    for branch_id, day, until in marks.order_by().values_list("branch_id", "first_day", "last_day").distinct():
        while until is not None and day <= until:
            fit[branch_id].discard(day)
            day += A_DAY
    days: dict[Branch, list[dt.date]] = {}
    for branch in branches:
        yesterday = clock.today(branch.time_zone) - A_DAY
        start = max(first or dt.date.min, since.get(branch.id, dt.date.max))
        length = (min(last or yesterday, yesterday) - start).days + 1
        days[branch] = [day for day in (start + A_DAY * place for place in range(length)) if day not in fit[branch.id]]
    return stretches(days)


def stretches(days: Mapping[Branch, Sequence[dt.date]]) -> list[Stretch]:
    """The days of each branch, in order, as stretches of the branches that have the same ones; the latest first."""
    together: dict[tuple[dt.date, dt.date], list[Branch]] = defaultdict(list)
    for branch, those in days.items():
        for span in _spans(those):
            together[span].append(branch)
    return [
        Stretch(tuple(some[place : place + MOST_BRANCHES]), *span)
        for span, some in sorted(together.items(), key=lambda each: each[0][1], reverse=True)
        for place in range(0, len(some), MOST_BRANCHES)
    ]


def _spans(days: Sequence[dt.date]) -> list[tuple[dt.date, dt.date]]:
    """Days as spans of a month at most and no longer than ``MOST_DAYS``, so that many branches have the same."""
    most, found = MOST_DAYS[connection.vendor], list[tuple[dt.date, dt.date]]()
    for day in days:
        if found and found[-1][1] + A_DAY == day and day.day % most != 1 and day.day != 1:
            found[-1] = (found[-1][0], day)
        else:
            found.append((day, day))
    return found


def marks_tidy(branches: Sequence[uuid.UUID]) -> None:
    """Marks of days that are not built are of no use, and a mark of many days becomes one of each that is built."""
    with transaction.atomic():
        mine = _locked(branches)
        marks = StaleDays.objects.everywhere(WHY).filter(branch__in=mine)
        wide = list(marks.filter(Q(last_day__isnull=True) | ~Q(last_day=F("first_day"))))
        days = set[Cell]()
        for branch_id, day in _built_among({mark.branch_id for mark in wide}):
            for mark in wide:
                is_in = mark.first_day <= day and (mark.last_day is None or day <= mark.last_day)
                if is_in and mark.branch_id == branch_id:
                    days.add((branch_id, day))
        StaleDays.objects.everywhere(WHY).bulk_create(
            [StaleDays(branch_id=branch_id, first_day=day, last_day=day) for branch_id, day in sorted(days)],
            batch_size=2000,
        )
        marks.filter(id__in=[mark.id for mark in wide]).delete()
        built = FactDay.objects.everywhere(WHY).filter(branch=OuterRef("branch"), day=OuterRef("first_day"))
        marks.filter(~Exists(built), last_day=F("first_day")).delete()


def _built_among(branches: Collection[uuid.UUID]) -> list[Cell]:
    if not branches:
        return []
    return list(FactDay.objects.everywhere(WHY).filter(branch__in=branches).values_list("branch_id", "day"))


def _locked(branches: Sequence[uuid.UUID]) -> list[uuid.UUID]:
    """Take the rows of the branches until the transaction ends; those that somebody else has are left out."""
    rows = FactBranch.objects.everywhere(WHY).filter(branch__in=branches).order_by("branch")
    if connection.features.has_select_for_update_skip_locked:
        rows = rows.select_for_update(skip_locked=True, of=("self",))
    return [row.branch_id for row in rows]


def months(first: dt.date, last: dt.date) -> list[tuple[dt.date, dt.date]]:
    """The calendar months from one day to another, the last first, cut at both ends."""
    found: dict[tuple[int, int], list[dt.date]] = defaultdict(list)
    day = first
    while day <= last:
        found[day.year, day.month].append(day)
        day += A_DAY
    return [(days[0], days[-1]) for _, days in sorted(found.items(), reverse=True)]
