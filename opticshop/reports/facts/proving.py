"""Facts beside the raw rows. A difference of a day that is not marked means that some change is not in ``SOURCES``."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch

from .building import WHY, DayFacts, Stretch, counted_raw
from .models import FactDay, StaleDays
from .reading import kinds
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


def differences_of(branch: Branch, day: dt.date) -> list[Difference]:
    """What is kept of a day and not what the raw rows say; nothing where the day is marked, or not built as it should.

    Within one transaction, so that a change in the meantime is no difference: it has its mark when it is looked for.
    """
    with transaction.atomic():
        found = list(
            _compared(branch, day, _facts_of(branch, day), counted_raw(Stretch((branch,), day, day))[branch.id, day])
        )
    good = FactDay.objects.everywhere(WHY).filter(
        branch=branch, day=day, time_zone=branch.time_zone, currency=branch.currency, made_with=made_with()
    )
    marks = StaleDays.objects.everywhere(WHY).filter(branch=branch, first_day__lte=day)
    if found and (not good.exists() or any(mark.last_day is None or day <= mark.last_day for mark in marks)):
        return []
    return found


def days_mend(days: Sequence[tuple[Branch, dt.date]]) -> None:
    """Mark the days, so that they are read from the raw rows at once and built anew by the duty."""
    StaleDays.objects.everywhere(WHY).bulk_create(
        StaleDays(branch=branch, first_day=day, last_day=day) for branch, day in days
    )


def _facts_of(branch: Branch, day: dt.date) -> DayFacts:
    found: DayFacts = {}
    for kind in kinds.values():
        rows = kind.model.objects.everywhere(WHY).filter(branch=branch, day=day)
        found[kind.name] = {
            (by, label, currency): dict(zip(kind.columns, values, strict=True))
            for by, label, currency, *values in rows.values_list("grouping", "label", "currency", *kind.columns)
        }
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
