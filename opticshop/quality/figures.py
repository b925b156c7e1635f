"""What head office watches of the workshop: right first time, spoil rate, turnaround, kept promises.

Definitions. The cohort of a period are the first attempts at an order whose job was finished (packed) on a day of the
period, counted at the branch that made them, days and months in that branch's time zone.

right first time   of the cohort, the jobs with no failed final inspection, no further attempt opened and no return
                   taken in within N days of being finished. Causes that are no fault of the making (``NO_FAULT``) do
                   not count. Jobs finished less than N days ago may still come back: ``not_yet_settled`` counts them.
spoil rate         lenses lost on the bench in the period / (those + lenses of all jobs finished in the period). Lenses
                   written off because the order was called off or changed are not lost on the bench.
turnaround         working time of the branch (opening hours, without closures and public holidays) from the order being
                   complete to its first job being finished, for the cohort. An order is placed only with prescription,
                   measurements and articles, so it is complete when placed. Waits for the customer are not taken out.
                   Calendar days are the days of the branch between them. p50 and p90 are nearest ranks.
kept promise       finished on or before the first promised day, and on or before the last.

Groups. By person: who glazed the pair; for lost lenses who recorded the loss. By product: a pair of two lens products
counts for both, so these rows do not add up to the total. Counts are made by the database; only working time, which
needs a calendar, is reckoned here. Let a shop see its own trend; these are no targets.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal
from zoneinfo import ZoneInfo

from django.db.models import (
    Case,
    Count,
    DateField,
    DateTimeField,
    Exists,
    ExpressionWrapper,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
    When,
)
from django.db.models.functions import TruncDate, TruncMonth, TruncWeek

from opticshop.branches.calendars import Calendar, calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.errors import Invalid
from opticshop.core.percentiles import nearest_rank
from opticshop.orders.causes import TABLE, Where
from opticshop.orders.models import Promise
from opticshop.workshop.models import Breakage, Job, JobState, StepKind

from .models import Inspection, PairReturn

By = Literal["total", "branch", "product", "person", "day", "week", "month"]
#: Causes of a remake or return that say nothing of how the pair was made.
NO_FAULT = frozenset({"prescriber_change", "scratched_early", "broken_in_wear", "lost_in_post", "frame_changed"})
ON_THE_BENCH = frozenset(cause.key for cause in TABLE if Where.BENCH in cause.where)
LONGEST = dt.timedelta(days=366)
#: How long a pair may come back and still count as not right (common practice, no source).
RETURN_DAYS = 30
#: Groups by time -> the database's cut to their first day, and how such a group is written (ISO 8601).
SPANS: dict[str, tuple[Any, str]] = {
    "day": (TruncDate, "%Y-%m-%d"),
    "week": (TruncWeek, "%G-W%V"),
    "month": (TruncMonth, "%Y-%m"),
}


class PeriodTooLong(Invalid):
    """Figures are asked for up to a year at a time, first day before last."""

    code = "quality.period_too_long"
    title = "Ask for a year at most"


#: A branch and a day of its calendar.
Cell = tuple[uuid.UUID, dt.date]


@dataclass(slots=True)
class Tally:
    """The counts of one group, and what follows from them. ``key`` is None for the total and where nobody is known.

    ``cell`` is the branch and its day, where groups of each are asked for.
    """

    key: str | None
    label: str
    cell: Cell | None = None
    jobs: int = 0
    right: int = 0
    not_yet_settled: int = 0
    on_first_promise: int = 0
    on_last_promise: int = 0
    lenses_made: int = 0
    lenses_lost: int = 0
    minutes: list[float] = field(default_factory=list)
    days: list[int] = field(default_factory=list)

    @property
    def right_first_time_percent(self) -> float | None:
        return _percent(self.right, self.jobs)

    @property
    def spoil_percent(self) -> float | None:
        return _percent(self.lenses_lost, self.lenses_lost + self.lenses_made)

    @property
    def on_first_promise_percent(self) -> float | None:
        return _percent(self.on_first_promise, self.jobs)

    @property
    def turnaround_p50_hours(self) -> float | None:
        return self._hours(50)

    @property
    def turnaround_p90_hours(self) -> float | None:
        return self._hours(90)

    def _hours(self, percentile: int) -> float | None:
        minutes = nearest_rank(self.minutes, percentile)
        return None if minutes is None else round(minutes / 60, 2)


@dataclass(frozen=True, slots=True)
class Figures:
    first: dt.date
    last: dt.date
    by: By
    return_days: int
    total: Tally
    rows: Sequence[Tally]


def workshop_figures(
    branches: Iterable[Branch], *, first: dt.date, last: dt.date, by: By = "total", return_days: int = RETURN_DAYS
) -> Figures:
    """The figures of branches the caller may watch, for the days ``first`` to ``last``. Raises PeriodTooLong.

    The number of queries depends on the number of time zones, not on that of branches, jobs or groups.
    """
    if not dt.timedelta(0) <= last - first <= LONGEST:
        raise PeriodTooLong(f"{first} to {last}.", field="last", allowed="up to 366 days from first")
    branches = list(branches)
    [total] = tallies_of(branches, first=first, last=last, by="total", return_days=return_days)
    rows = []
    if by != "total":
        rows = tallies_of(branches, first=first, last=last, by=by, return_days=return_days)
    return Figures(first, last, by, return_days, total, rows)


def tallies_of(
    branches: Iterable[Branch],
    *,
    first: dt.date,
    last: dt.date,
    by: By,
    return_days: int = RETURN_DAYS,
    with_times: bool = True,
) -> list[Tally]:
    """The groups of ``workshop_figures`` in order of their labels, for a period of any length; "total" is one group.

    Without ``with_times`` the turnaround, which costs most, is not reckoned.
    """
    rows: dict[str | None, Tally] = {None: Tally(None, "Total")} if by == "total" else {}
    for zone, those in branches_by_zone(branches).items():
        for each in _Asked(zone, those, first, last, return_days).tallies(by, with_times):
            _add(rows.setdefault(each.key, Tally(each.key, each.label)), each)
    return sorted(rows.values(), key=lambda row: (row.label, row.key or ""))


def daily_tallies_of(
    branches: Iterable[Branch], *, first: dt.date, last: dt.date, by: By, with_times: bool = True
) -> list[Tally]:
    """As ``tallies_of``, each group of each branch and day by itself (``cell``), in no order, with as many queries."""
    rows: dict[tuple[Cell | None, str | None], Tally] = {}
    for zone, those in branches_by_zone(branches).items():
        for each in _Asked(zone, those, first, last, RETURN_DAYS, daily=True).tallies(by, with_times):
            _add(rows.setdefault((each.cell, each.key), Tally(each.key, each.label, each.cell)), each)
    return list(rows.values())


#: Group -> the columns of its key and its label, from a job.
_KEYS: dict[str, tuple[Any, Any]] = {
    "total": (Value(""), Value("Total")),
    "branch": (F("branch_id"), F("branch__code")),
    "product": (F("order__lenses__product_id"), F("order__lenses__product__sku")),
    "person": (F("steps__by_id"), F("steps__by__username")),
    **{by: (F("span"), F("span")) for by in SPANS},
}
#: The same from a lost lens.
_LOST_KEYS: dict[str, tuple[Any, Any]] = {
    "total": (Value(""), Value("Total")),
    "branch": (F("job__branch_id"), F("job__branch__code")),
    "product": (F("job__order__lenses__product_id"), F("job__order__lenses__product__sku")),
    "person": (F("by_id"), F("by__username")),
    **{by: (F("span"), F("span")) for by in SPANS},
}


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question to the branches of one time zone."""

    zone: str
    branches: Sequence[Branch]
    first: dt.date
    last: dt.date
    return_days: int
    daily: bool = False

    def tallies(self, by: By, with_times: bool) -> Iterator[Tally]:
        for row in self._cohort_counts(by):
            found = _tally(row, by)
            found.jobs, found.right, found.not_yet_settled = row["jobs"], row["right"], row["unsettled"]
            found.on_first_promise, found.on_last_promise = row["kept_first"], row["kept_last"]
            yield found
        for row in self._made_counts(by):
            found = _tally(row, by)
            found.lenses_made = row["made"] or 0
            yield found
        for row in self._lost_counts(by):
            found = _tally(row, by)
            found.lenses_lost = row["lost"]
            yield found
        if with_times:
            yield from self._turnarounds(by)

    def _finished(self, by: By) -> QuerySet[Any]:
        start, end = bounds_of(self.zone, self.first, self.last)
        jobs: QuerySet[Any] = Job.objects.everywhere("figures of branches the caller may watch").filter(
            branch__in=self.branches, state=JobState.FINISHED, finished_at__gte=start, finished_at__lt=end
        )
        if self.daily:
            jobs = jobs.annotate(of_branch=F("branch_id"), on_day=span_of("finished_at", "day", self.zone))
        if by in SPANS:
            return jobs.annotate(span=span_of("finished_at", by, self.zone))
        if by == "person":
            return jobs.filter(steps__kind=StepKind.GLAZE)  # one such step a job: nothing is counted twice
        return jobs

    def _cohort_counts(self, by: By) -> QuerySet[Any]:
        settled_until = ExpressionWrapper(
            OuterRef("finished_at") + Value(dt.timedelta(days=self.return_days)), output_field=DateTimeField()
        )
        made_again = Job.objects.everywhere("as above").filter(
            order=OuterRef("order"), attempt__gt=1, created_at__lte=settled_until
        )
        returned = PairReturn.objects.everywhere("as above").filter(
            order=OuterRef("order"), reported_at__gte=OuterRef("finished_at"), reported_at__lte=settled_until
        )
        failed = Inspection.objects.everywhere("as above").filter(job=OuterRef("pk"), outcome="fail")
        promises = Promise.objects.filter(order=OuterRef("order"))
        cohort = self._finished(by).filter(attempt=1)
        cohort = cohort.annotate(
            wrong=Exists(failed)
            | Exists(made_again.exclude(remake_cause__in=NO_FAULT))
            | Exists(returned.exclude(cause__in=NO_FAULT)),
            done_on=TruncDate("finished_at", tzinfo=_zone(self.zone)),
            first_promise=Subquery(promises.order_by("id").values("promised_on")[:1]),
        )
        young = Q(finished_at__gt=clock.now() - dt.timedelta(days=self.return_days))

        def jobs(*conditions: Any) -> Count:
            return Count("id", distinct=True, filter=Q(*conditions) if conditions else None)

        return self._grouped(cohort, _KEYS[by]).annotate(
            jobs=jobs(),
            right=jobs(Q(wrong=False)),
            unsettled=jobs(young),
            kept_first=jobs(Q(done_on__lte=F("first_promise"))),
            kept_last=jobs(Q(done_on__lte=F("promised_on"))),
        )

    def _made_counts(self, by: By) -> QuerySet[Any]:
        """Lenses of finished jobs: of each job the ordered lenses of the eyes it made."""
        both = Q(eyes=["right", "left"]) | Q(eyes=["left", "right"])
        one = Q(eyes=["right"], order__lenses__eye="right") | Q(eyes=["left"], order__lenses__eye="left")
        counted = Case(When(both | one, then=1), default=0, output_field=IntegerField())
        return self._grouped(self._finished(by), _KEYS[by]).annotate(made=Sum(counted))

    def _lost_counts(self, by: By) -> QuerySet[Any]:
        start, end = bounds_of(self.zone, self.first, self.last)
        lost: QuerySet[Any] = Breakage.objects.filter(
            job__branch__in=self.branches,
            eye__in=["right", "left"],
            cause__in=ON_THE_BENCH,
            created_at__gte=start,
            created_at__lt=end,
        )
        if by == "product":
            lost = lost.filter(job__order__lenses__eye=F("eye"))
        if by in SPANS:
            lost = lost.annotate(span=span_of("created_at", by, self.zone))
        if self.daily:
            lost = lost.annotate(of_branch=F("job__branch_id"), on_day=span_of("created_at", "day", self.zone))
        return self._grouped(lost, _LOST_KEYS[by]).annotate(lost=Count("id"))

    def _turnarounds(self, by: By) -> Iterator[Tally]:
        calendars: dict[uuid.UUID, Calendar] = {branch.id: calendar_of(branch) for branch in self.branches}
        rows = self._finished(by).filter(attempt=1).annotate(key=_KEYS[by][0], label=_KEYS[by][1]).order_by()
        columns = ("id", "branch_id", "order__placed_at", "finished_at", "key", "label")
        found: dict[Any, Tally] = {}
        for _, branch_id, placed_at, finished_at, key, label in rows.values_list(*columns).distinct():
            day = finished_at.astimezone(_zone(self.zone)).date() if self.daily else None
            if (tally := found.get((branch_id, day, key) if self.daily else key)) is None:
                row = {"key": key, "label": label, "of_branch": branch_id, "on_day": day}
                tally = found[(branch_id, day, key) if self.daily else key] = _tally(row, by)
            calendar = calendars[branch_id]
            tally.minutes.append(calendar.working_minutes(placed_at, finished_at))
            tally.days.append(calendar.days_between(placed_at, finished_at))
        yield from found.values()

    def _grouped(self, rows: QuerySet[Any], columns: tuple[Any, Any]) -> QuerySet[Any]:
        cell = ("of_branch", "on_day") if self.daily else ()
        return rows.annotate(key=columns[0], label=columns[1]).order_by().values("key", "label", *cell)


def span_of(column: str, by: str, zone: str) -> Any:
    """The first day of the day, week or month (``SPANS``) in which an instant falls in a zone, as a date."""
    return SPANS[by][0](column, tzinfo=_zone(zone), output_field=DateField())


def span_label(day: dt.date, by: str) -> str:
    """How the group of ``SPANS`` that begins with a day is written."""
    return day.strftime(SPANS[by][1])


def _tally(row: dict[str, Any], by: str) -> Tally:
    key, label = row["key"], row["label"]
    if by in SPANS:
        key = label = span_label(key, by)
    cell = (row["of_branch"], row["on_day"]) if row.get("on_day") else None
    return Tally(None if key in (None, "") else str(key), "nobody named" if label is None else str(label), cell)


def _add(into: Tally, other: Tally) -> None:
    for name in (
        "jobs",
        "right",
        "not_yet_settled",
        "on_first_promise",
        "on_last_promise",
        "lenses_made",
        "lenses_lost",
    ):
        setattr(into, name, getattr(into, name) + getattr(other, name))
    into.minutes += other.minutes
    into.days += other.days


def branches_by_zone(branches: Iterable[Branch]) -> dict[str, list[Branch]]:
    """Time zone -> its branches; figures make their queries once a zone."""
    zones: dict[str, list[Branch]] = {}
    for branch in branches:
        zones.setdefault(branch.time_zone, []).append(branch)
    return zones


def bounds_of(zone: str, first: dt.date, last: dt.date) -> tuple[dt.datetime, dt.datetime]:
    """From the first instant of the first day to the first instant after the last, in a zone."""
    start = dt.datetime.combine(first, dt.time(), _zone(zone))
    return start, dt.datetime.combine(last + dt.timedelta(days=1), dt.time(), _zone(zone))


def _zone(zone: str) -> dt.tzinfo:
    return ZoneInfo(zone)


def _percent(part: int, whole: int) -> float | None:
    return round(100 * part / whole, 2) if whole else None
