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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection, transaction
from django.db.models import Exists, F, OuterRef, Q, prefetch_related_objects

from opticshop.branches.models import Branch
from opticshop.core import clock

from ..registry import Scope
from . import triggers
from .models import FactBranch, FactDay, StaleDays
from .reading import A_DAY as A_DAY
from .reading import Kind, kinds, without_facts
from .versions import made_with

WHY = "facts are the service's own"
#: Days of one transaction: short, since on SQLite nobody else writes in the meantime.
MOST_DAYS = 7
#: Of a branch that nobody has asked to be filled, facts are kept from so many days before on.
FIRST_DAYS = 35
#: (grouping, label, currency) -> column -> value
Group = tuple[str, str, str]
DayFacts = dict[str, dict[Group, dict[str, Any]]]


class TriggersMissing(RuntimeError):
    """Changes would not be marked, so nothing may be built. ``manage.py migrate`` puts the triggers in place."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Days of a branch that follow one another, at most ``MOST_DAYS``."""

    branch: Branch
    first: dt.date
    last: dt.date

    def days(self) -> list[dt.date]:
        return [self.first + A_DAY * place for place in range((self.last - self.first).days + 1)]


def counted_raw(stretch: Stretch) -> dict[dt.date, DayFacts]:
    """Every fact of each day, from the raw rows: what is kept, and what ``facts_verify`` compares with.

    The number of queries depends on the days, not on what happened on them.
    """
    branches = (stretch.branch,)
    prefetch_related_objects(branches, "opening_hours", "closures")
    found: dict[dt.date, DayFacts] = {day: {name: {} for name in kinds} for day in stretch.days()}
    with without_facts():
        for kind in kinds.values():
            whole = kind.raw(Scope(stretch.first, stretch.last, branches, "day"))
            for (label, currency), values in whole.items():
                found[dt.date.fromisoformat(label)][kind.name]["", "", currency] = _kept(kind, values)
            busy = {dt.date.fromisoformat(label) for label, _ in whole}
            for day in busy if kind.groupings else ():
                for by in kind.groupings:
                    for (label, currency), values in kind.raw(Scope(day, day, branches, by)).items():
                        found[day][kind.name][by, label, currency] = _kept(kind, values)
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


def stretch_build(stretch: Stretch) -> bool:
    """Build the days anew in one transaction; False where another builder has the branch, or a day is not over.

    Raises TriggersMissing.
    """
    if stretch.last >= clock.today(stretch.branch.time_zone):
        return False
    with transaction.atomic():
        if not _lock(stretch.branch.id):
            return False
        days = (stretch.first, stretch.last)
        marks = StaleDays.objects.everywhere(WHY).filter(branch=stretch.branch, last_day__isnull=False)
        seen = list(marks.filter(first_day__gte=days[0], last_day__lte=days[1]).values_list("id", flat=True))
        branch = Branch.objects.get(id=stretch.branch.id)  # as it is now: its zone decides the days
        found = counted_raw(Stretch(branch, *days))
        for kind in kinds.values():
            kind.model.objects.everywhere(WHY).filter(branch=branch, day__range=days).delete()
            kind.model.objects.everywhere(WHY).bulk_create(
                [
                    kind.model(branch=branch, day=day, grouping=by, label=label, currency=currency, **values)
                    for day, facts in found.items()
                    for (by, label, currency), values in facts[kind.name].items()
                ],
                batch_size=2000,
            )
        FactDay.objects.everywhere(WHY).filter(branch=branch, day__range=days).delete()
        FactDay.objects.everywhere(WHY).bulk_create(
            FactDay(
                branch=branch, day=day, time_zone=branch.time_zone, currency=branch.currency, made_with=made_with()
            )
            for day in found
        )
        for start in range(0, len(seen), 5000):
            StaleDays.objects.everywhere(WHY).filter(id__in=seen[start : start + 5000]).delete()
    return True


def facts_renew(*, seconds: float = 60.0) -> int:
    """Build what is stale and the days that are over since; returns how many days were built. Safe to run at once.

    A branch that has no facts yet begins with the last ``FIRST_DAYS`` days. Begins nothing after so many seconds.
    """
    if not triggers.are_in_place(connection):
        raise TriggersMissing
    ends, built = time.monotonic() + seconds, 0
    known = set(FactBranch.objects.everywhere(WHY).values_list("branch_id", flat=True))
    for branch in Branch.objects.order_by("code"):
        if branch.id not in known:
            facts_begin(branch, clock.today(branch.time_zone) - A_DAY * FIRST_DAYS)
        marks_tidy(branch.id)
        for stretch in due(branch):
            if time.monotonic() >= ends:
                return built
            built += len(stretch.days()) if stretch_build(stretch) else 0
    return built


def due(branch: Branch, first: dt.date | None = None, last: dt.date | None = None) -> Iterator[Stretch]:
    """The days to build of a branch within what is kept of it, latest first. Three queries."""
    kept = FactBranch.objects.everywhere(WHY).filter(branch=branch).first()
    yesterday = clock.today(branch.time_zone) - A_DAY
    start = max(first or dt.date.min, kept.since) if kept else dt.date.max
    end = min(last or yesterday, yesterday)
    if start > end:
        return
    good = FactDay.objects.everywhere(WHY).filter(
        branch=branch, time_zone=branch.time_zone, currency=branch.currency, made_with=made_with()
    )
    fit = set(good.values_list("day", flat=True))
    marks = StaleDays.objects.everywhere(WHY).filter(branch=branch, last_day__isnull=False)
    for day, until in marks.order_by().values_list("first_day", "last_day").distinct():
        while until is not None and day <= until:
            fit.discard(day)
            day += A_DAY
    days = [start + A_DAY * place for place in range((end - start).days + 1)]
    yield from reversed(_stretches(branch, [day for day in days if day not in fit]))


def _stretches(branch: Branch, days: Sequence[dt.date]) -> list[Stretch]:
    found: list[Stretch] = []
    for day in days:
        before = found[-1] if found else None
        if before and before.last + A_DAY == day and (day - before.first).days < MOST_DAYS:
            found[-1] = Stretch(branch, before.first, day)
        else:
            found.append(Stretch(branch, day, day))
    return found


def marks_tidy(branch_id: uuid.UUID) -> None:
    """Marks of days that are not built are of no use, and a mark of many days becomes one of each that is built."""
    with transaction.atomic():
        if not _lock(branch_id):
            return
        marks = StaleDays.objects.everywhere(WHY).filter(branch=branch_id)
        built = FactDay.objects.everywhere(WHY).filter(branch=branch_id)
        wide = list(marks.filter(Q(last_day__isnull=True) | ~Q(last_day=F("first_day"))))
        if wide:
            days = {
                day
                for day in built.values_list("day", flat=True)
                if any(mark.first_day <= day and (mark.last_day is None or day <= mark.last_day) for mark in wide)
            }
            StaleDays.objects.everywhere(WHY).bulk_create(
                StaleDays(branch_id=branch_id, first_day=day, last_day=day) for day in sorted(days)
            )
            marks.filter(id__in=[mark.id for mark in wide]).delete()
        marks.filter(~Exists(built.filter(day=OuterRef("first_day"))), last_day=F("first_day")).delete()


def _lock(branch_id: uuid.UUID) -> bool:
    """Take the row of the branch until the transaction ends; False where somebody has it, or there is none."""
    rows = FactBranch.objects.everywhere(WHY).filter(branch=branch_id)
    if connection.features.has_select_for_update_skip_locked:
        rows = rows.select_for_update(skip_locked=True, of=("self",))
    return rows.first() is not None


def months(first: dt.date, last: dt.date) -> list[tuple[dt.date, dt.date]]:
    """The calendar months from one day to another, the last first, cut at both ends."""
    found: dict[tuple[int, int], list[dt.date]] = defaultdict(list)
    day = first
    while day <= last:
        found[day.year, day.month].append(day)
        day += A_DAY
    return [(days[0], days[-1]) for _, days in sorted(found.items(), reverse=True)]
