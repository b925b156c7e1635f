"""Filters of lists by day of the branch's own calendar.

``x_from`` and ``x_to`` are days as the shop lived them, both included. Without ``branch`` they are the days of each
branch, so that a list of all branches holds what each of them calls that day. One query more, for the time zones.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from functools import partial, reduce
from operator import or_
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

import django_filters
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db.models import Q
from rest_framework.exceptions import ValidationError

from .models import Branch

A_DAY = dt.timedelta(days=1)
#: Days outside of these are slips of the pen (our choice, no source).
EARLIEST, LATEST = dt.date(2000, 1, 1), dt.date(2199, 12, 31)
#: First day or None, last day or None, time zone -> what the rows of the branches in that zone must fulfil.
Within = Callable[[dt.date | None, dt.date | None, str], Q]
OfZone = Callable[[str], Q]


def day_filter(label: str) -> django_filters.DateFilter:
    """A filter whose day is heeded by ``DaysFilterSet`` as a whole, since the days of a span belong together."""
    return django_filters.DateFilter(
        method="keep", label=label, validators=[MinValueValidator(EARLIEST), MaxValueValidator(LATEST)]
    )


def instants(column: str) -> Within:
    """For a column of instants."""

    def within(first: dt.date | None, last: dt.date | None, zone: str) -> Q:
        wanted = Q() if first is None else Q((f"{column}__gte", begins(first, zone)))
        return wanted if last is None else wanted & Q((f"{column}__lt", begins(last + A_DAY, zone)))

    return within


def days(column: str) -> Within:
    """For a column that holds a day of the branch already."""

    def within(first: dt.date | None, last: dt.date | None, zone: str) -> Q:
        wanted = Q() if first is None else Q((f"{column}__gte", first))
        return wanted if last is None else wanted & Q((f"{column}__lte", last))

    return within


class DaysFilterSet(django_filters.FilterSet):
    """``spans``: the word before ``_from`` and ``_to`` -> what it means. Has a filter ``branch``."""

    spans: ClassVar[Mapping[str, Within]] = {}
    acts_unasked = False

    def keep(self, queryset: Any, name: str, value: Any) -> Any:
        return queryset

    def filter_queryset(self, queryset: Any) -> Any:
        """Raises ValidationError where a first day is after the last."""
        queryset = super().filter_queryset(queryset)
        asked = self.form.cleaned_data
        wanted = list(self.conditions(asked))
        if not wanted:
            return queryset
        zones: dict[str, list[Any]] = {}
        branches = Branch.objects.filter(id=asked["branch"]) if asked.get("branch") else Branch.objects.all()
        for key, zone in branches.values_list("id", "time_zone"):
            zones.setdefault(zone, []).append(key)
        if not zones:
            return queryset.none()
        # With the branches named beside the days an index by branch and day serves each zone.
        return queryset.filter(
            reduce(or_, (Q(*(of_zone(zone) for of_zone in wanted), branch__in=keys) for zone, keys in zones.items()))
        )

    def conditions(self, asked: Mapping[str, Any]) -> Iterator[OfZone]:
        for word, within in self.spans.items():
            first, last = asked.get(f"{word}_from"), asked.get(f"{word}_to")
            if first and last and first > last:
                raise ValidationError({f"{word}_to": [f"The last day, on or after the first, {first}."]})
            if first or last:
                yield partial(within, first, last)


def begins(day: dt.date, zone: str) -> dt.datetime:
    """The first instant of a day in a zone."""
    return dt.datetime.combine(day, dt.time(), ZoneInfo(zone))
