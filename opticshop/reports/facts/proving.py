"""Facts beside the raw rows. A difference of a day that is not marked means that some change is not in ``SOURCES``."""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core.locks import lock_rows
from opticshop.quality.figures import Cell

from ..registry import TOTAL, Scope
from .building import WHY, DayFacts, Stretch, counted_raw, stretches
from .models import FactBranch, FactDay, StaleDays
from .reading import kinds, wanting
from .versions import made_with


@dataclass(frozen=True, slots=True)
class Difference:
    """One number of one group of one day; None where there is no such group on that side."""

    branch: Branch
    day: dt.date
    where: str
    kept: Any
    raw: Any

    def __str__(self) -> str:
        return f"{self.branch.code} {self.day} {self.where}: kept {self.kept}, by the raw rows {self.raw}"


def days_kept(since: dt.date | None, until: dt.date | None, sample: int | None) -> list[tuple[Branch, dt.date]]:
    """The days that a report would read facts of, within the period; with ``sample`` so many of them by chance."""
    days = FactDay.objects.everywhere(WHY).filter(made_with=made_with()).select_related("branch")
    if since is not None:
        days = days.filter(day__gte=since)
    if until is not None:
        days = days.filter(day__lte=until)
    found = [(each.branch, each.day) for each in days.order_by("branch__code", "day")]
    if sample is not None and sample < len(found):
        found = sorted(random.sample(found, sample), key=lambda each: (each[0].code, each[1]))
    return found


def differences(days: Sequence[tuple[Branch, dt.date]]) -> Iterator[Difference]:
    """What is kept of the days and not what the raw rows say; nothing of days that are marked or not built as they
    should be, which no report reads.

    A stretch of days at a time, in a transaction that keeps builders away: a change in the meantime is no difference,
    since its mark is there when it is looked for.
    """
    by_branch: dict[Branch, list[dt.date]] = defaultdict(list)
    for branch, day in days:
        by_branch[branch].append(day)
    for stretch in stretches(by_branch):
        with transaction.atomic():
            lock_rows(FactBranch.objects.everywhere(WHY).filter(branch__in=stretch.branches))
            kept = _facts_of(stretch)
            raw = counted_raw(stretch)
            scope = Scope(stretch.first, stretch.last, stretch.branches, TOTAL)
            unread = wanting(scope)
        for branch in stretch.branches:
            for _, day in Stretch((branch,), stretch.first, stretch.last).cells():
                if day not in unread[branch.id]:
                    yield from _compared(branch, day, kept[branch.id, day], raw[branch.id, day])


def days_mend(days: Sequence[tuple[Branch, dt.date]]) -> None:
    """Mark the days, so that they are read from the raw rows at once and built anew by the duty."""
    StaleDays.objects.everywhere(WHY).bulk_create(
        StaleDays(branch=branch, first_day=day, last_day=day) for branch, day in days
    )


def _facts_of(stretch: Stretch) -> dict[Cell, DayFacts]:
    found: dict[Cell, DayFacts] = {cell: {name: {} for name in kinds} for cell in stretch.cells()}
    for kind in kinds.values():
        rows = kind.model.objects.everywhere(WHY).filter(
            branch__in=stretch.branches, day__range=(stretch.first, stretch.last)
        )
        names = ("branch_id", "day", "grouping", "label", "currency", *kind.columns)
        for branch_id, day, by, label, currency, *values in rows.values_list(*names):
            found[branch_id, day][kind.name][by, label, currency] = dict(zip(kind.columns, values, strict=True))
    return found


def _compared(branch: Branch, day: dt.date, kept: DayFacts, raw: DayFacts) -> Iterator[Difference]:
    for kind in kinds.values():
        here, there = kept[kind.name], raw[kind.name]
        for group in sorted(here.keys() | there.keys()):
            for name in kind.columns:
                one, other = here.get(group, {}).get(name), there.get(group, {}).get(name)
                if one != other:
                    where = " ".join(word for word in (kind.name, *group, name) if word)
                    yield Difference(branch, day, where, one, other)
