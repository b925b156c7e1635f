"""What the workshop takes, gets right, and loses: turnaround, right first time, remakes and spoil with their cost.

What is counted and when is defined in ``quality.figures``, which these reports read; only the handover and the costs
are added here. Days, weeks and months are those of the branch that did the work. p50 and p90 are nearest ranks, so each
is the time of a pair that was made.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Value, prefetch_related_objects

from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.shares import share_of
from opticshop.core.sums import MoneySum
from opticshop.orders.causes import CAUSES, Bearer
from opticshop.quality.figures import (
    ON_THE_BENCH,
    RETURN_DAYS,
    SPANS,
    By,
    Cell,
    Tally,
    bounds_of,
    branches_by_zone,
    daily_tallies_of,
    span_label,
    span_of,
    tallies_of,
)
from opticshop.quality.models import Handover
from opticshop.quality.permissions import QualityPermission
from opticshop.workshop.models import Breakage, Job

from ..facts.histograms import nearest_rank_seen
from ..facts.models import LossFact, MadeFact, TimesFact
from ..facts.reading import Cells, Kind, add, counted, counted_raw_of, keep
from ..registry import TOTAL, Chart, Column, Drill, Report, Row, Scope, register

HOURS = Decimal("0.01")
NOT_SAID = "not said"
WHY = "a report of branches the asker may watch"


def turnaround(scope: Scope) -> list[Row]:
    """One row a group: the pairs packed and the pairs handed over for the first time, and how long they took."""
    return [
        {scope.by: label, **_times("packed", seen), **_times("handed_over", seen)}
        for (label, _), seen in sorted(counted(TIMES_FACTS, scope).items())
    ]


def right_first_time(scope: Scope) -> list[Row]:
    """One row a group, as ``quality.figures`` counts it."""
    counts, young = counted(MADE_FACTS, scope), _not_yet_settled(scope)
    return [
        {
            scope.by: label,
            "finished": each["jobs"],
            "right": each["right"],
            "right_share": share_of(each["right"], each["jobs"]),
            "not_yet_settled": young[label],
        }
        for (label, _), each in sorted(counts.items())
        if each["jobs"]
    ]


def _not_yet_settled(scope: Scope) -> Counter[str]:
    """Label -> pairs that may still come back, which is a matter of now: all of the days since, none of those before.

    The days in which the moment falls in one zone or another are counted from the raw rows.
    """
    moment = clock.now().date() - dt.timedelta(days=RETURN_DAYS)
    found = Counter[str]()
    border = replace(
        scope,
        since=max(scope.since, moment - dt.timedelta(days=1)),
        until=min(scope.until, moment + dt.timedelta(days=1)),
    )
    if border.since <= border.until:
        for (label, _), counts in counted_raw_of(MADE_FACTS, border).items():
            found[label] += counts["not_yet_settled"]
    since = replace(scope, since=max(scope.since, moment + dt.timedelta(days=2)))
    if since.since <= since.until:
        for (label, _), counts in counted(MADE_FACTS, since).items():
            found[label] += counts["jobs"]
    return found


def remakes_and_spoil(scope: Scope) -> list[Row]:
    """One row a group and currency of the orders: what was made again or lost, with the cost that stock knows.

    By cause and by bearer the shares are of all that was made, so they add up to the share of all.
    """
    made, rows = _made_by_currency(scope), dict[tuple[str, str], Row]()
    for currency, groups in made.items():
        for label in groups if scope.by not in LOSS_KEYS else ():
            _row_of(rows, scope.by, label, currency)
    for (label, currency), counts in counted(LOSS_FACTS, scope).items():
        _row_of(rows, scope.by, label, currency).update(counts)
    lost_in_all = Counter[str]()
    for (_, currency), row in rows.items():
        lost_in_all[currency] += row["lenses_lost"]
    for (label, currency), row in rows.items():
        of_all = scope.by in LOSS_KEYS
        pairs, lenses = made.get(currency, {}).get("Total" if of_all else label, (0, 0))
        lost_lenses = lost_in_all[currency] if of_all else row["lenses_lost"]
        row["cost"] = row["remake_cost"] + row["spoil_cost"]
        row["remake_share"] = share_of(row["remakes"], pairs)
        row["spoil_share"] = share_of(row["lenses_lost"], lost_lenses + lenses)
    return [rows[key] for key in sorted(rows)]


def _losses(scope: Scope, daily: bool) -> Cells:
    """What was made again and what was lost. Two queries a time zone."""
    counts: Cells = {}
    for zone, branches in branches_by_zone(scope.branches).items():
        start, end = bounds_of(zone, scope.since, scope.until)
        during = {"created_at__gte": start, "created_at__lt": end}
        again = Job.objects.everywhere(WHY).filter(branch__in=branches, attempt__gt=1, **during)
        _add(counts, scope.by, _grouped(again, scope.by, zone, "", 0, daily), REMADE, daily)
        lost = Breakage.objects.filter(job__branch__in=branches, **during)
        _add(counts, scope.by, _grouped(lost, scope.by, zone, "job__", 1, daily), LOST, daily)
    return counts


_BENCH = Q(cause__in=ON_THE_BENCH)
#: What is counted of further attempts, and of lost pieces.
REMADE: dict[str, Any] = {
    "remakes": Count("id"),
    "remake_cost": MoneySum("remake_cost"),
    "remakes_without_cost": Count("id", filter=Q(remake_cost__isnull=True)),
}
LOST: dict[str, Any] = {
    "lenses_lost": Count("id", filter=_BENCH & ~Q(eye="frame")),
    "frames_lost": Count("id", filter=_BENCH & Q(eye="frame")),
    "lost_with_the_order": Count("id", filter=~_BENCH),
    "spoil_cost": MoneySum("cost"),
    "spoilt_without_cost": Count("id", filter=Q(cost__isnull=True)),
}
MONEY = frozenset({"remake_cost", "spoil_cost"})
#: Groups that only a loss has -> the column on a further attempt, on a lost piece; and how their codes read.
LOSS_KEYS = {"cause": ("remake_cause", "cause"), "borne_by": ("remake_borne_by", "borne_by")}
_WORDS = {"cause": {code: cause.words for code, cause in CAUSES.items()}, "borne_by": dict(Bearer.choices)}


def _grouped(rows: QuerySet[Any], by: str, zone: str, job: str, place: int, daily: bool) -> QuerySet[Any]:
    """The rows by (label or code or first day of the group, currency), before these by branch and day if ``daily``."""
    if by in SPANS:
        key: Any = span_of("created_at", by, zone)
    else:
        key = Value("Total") if by == TOTAL else F(LOSS_KEYS[by][place] if by in LOSS_KEYS else f"{job}branch__code")
    cell = ("of_branch", "on_day") if daily else ()
    if daily:
        rows = rows.annotate(of_branch=F(f"{job}branch_id"), on_day=span_of("created_at", "day", zone))
    return rows.annotate(group=key).order_by().values_list(*cell, "group", f"{job}order__currency")


def _add(counts: Cells, by: str, grouped: QuerySet[Any], names: dict[str, Any], daily: bool) -> None:
    for found in grouped.annotate(**{f"counted_{name}": each for name, each in names.items()}):
        cell, (group, currency, *values) = (found[:2], found[2:]) if daily else (None, found)
        label = span_label(group, by) if by in SPANS else _WORDS.get(by, {}).get(group, group) or NOT_SAID
        row = counts.setdefault((cell, label, currency), _nothing())
        for name, value in zip(names, values, strict=True):
            row[name] += value or 0


def _nothing() -> Row:
    return {name: Decimal(0) if name in MONEY else 0 for name in (*REMADE, *LOST)}


def _row_of(rows: dict[tuple[str, str], Row], by: str, label: str, currency: str) -> Row:
    return rows.setdefault((label, currency), {by: label, "currency": currency, **_nothing()})


def _made_by_currency(scope: Scope) -> dict[str, dict[str, tuple[int, int]]]:
    """Currency -> label -> (pairs finished at the first attempt, lenses of all jobs finished)."""
    by = TOTAL if scope.by in LOSS_KEYS else scope.by
    made: dict[str, dict[str, tuple[int, int]]] = {}
    for currency in sorted({branch.currency for branch in scope.branches}):
        branches = tuple(branch for branch in scope.branches if branch.currency == currency)
        counts = counted(MADE_FACTS, replace(scope, branches=branches, by=by))
        made[currency] = {"Total": (0, 0)} if by == TOTAL else {}
        made[currency] |= {label: (each["jobs"], each["lenses_made"]) for (label, _), each in counts.items()}
    return made


def _made(scope: Scope, daily: bool) -> Cells:
    """The counts of ``quality.figures``. Three queries a time zone."""
    counts: Cells = {}
    for tally in _tallies(scope.branches, scope, daily, with_times=False):
        values = {name: getattr(tally, name) for name in (*MADE_FACTS.columns, "not_yet_settled")}
        if any(values.values()):
            add(counts, {(tally.cell, tally.label, ""): values})
    return counts


def _waits(scope: Scope, daily: bool) -> Cells:
    """How often each time from the order to the packed pair, and to its first handover, was seen."""
    branches = _with_calendars(scope.branches)
    counts: Cells = {}

    def saw(cell: Cell | None, label: str, name: str, minutes: Iterable[float], days: Iterable[int]) -> None:
        row = counts.setdefault((cell, label, ""), {each: Counter[int]() for each in TIMES_FACTS.columns})
        row[f"{name}_hours"].update(_hundredths(each) for each in minutes)
        row[f"{name}_days"].update(days)

    for tally in _tallies(branches, scope, daily, with_times=True):
        if tally.minutes:
            saw(tally.cell, tally.label, "packed", tally.minutes, tally.days)
    for cell, label, minutes, days in _handed_over(branches, scope):
        saw(cell if daily else None, label, "handed_over", [minutes], [days])
    return counts


def _tallies(branches: Iterable[Branch], scope: Scope, daily: bool, *, with_times: bool) -> list[Tally]:
    tallies = daily_tallies_of if daily else tallies_of
    return tallies(branches, first=scope.since, last=scope.until, by=cast(By, scope.by), with_times=with_times)


def _hundredths(minutes: float) -> int:
    """Working time as it is told, in hundredths of an hour."""
    return int((Decimal(minutes) / 60).quantize(HOURS).scaleb(2))


def _handed_over(branches: Iterable[Branch], scope: Scope) -> Iterator[tuple[Cell, str, float, int]]:
    """(cell, label, working minutes, calendar days) from the order to its first handover, for handovers of the period.

    One query a time zone.
    """
    for zone, those in branches_by_zone(branches).items():
        start, end = bounds_of(zone, scope.since, scope.until)
        calendars = {branch.id: (branch, calendar_of(branch)) for branch in those}
        rows = Handover.objects.everywhere(WHY).filter(branch__in=those)
        rows = rows.filter(handed_over_at__gte=start, handed_over_at__lt=end)
        earlier = Handover.objects.everywhere(WHY).filter(
            order=OuterRef("order"), handed_over_at__lt=OuterRef("handed_over_at")
        )
        times = rows.filter(~Exists(earlier)).values_list("branch_id", "order__placed_at", "handed_over_at")
        for branch_id, placed_at, handed_over_at in times.order_by():
            branch, calendar = calendars[branch_id]
            day = handed_over_at.astimezone(ZoneInfo(zone)).date()
            label = {"branch": branch.code, "total": "Total"}.get(scope.by) or span_label(day, scope.by)
            yield (
                (branch_id, day),
                label,
                calendar.working_minutes(placed_at, handed_over_at),
                calendar.days_between(placed_at, handed_over_at),
            )


def _times(name: str, seen: Row) -> Row:
    hours, days = seen[f"{name}_hours"], seen[f"{name}_days"]
    row: Row = {name: days.total()}
    for percent in (50, 90):
        hundredths = nearest_rank_seen(hours, percent)
        row[f"{name}_p{percent}_hours"] = None if hundredths is None else Decimal(hundredths).scaleb(-2)
        row[f"{name}_p{percent}_days"] = nearest_rank_seen(days, percent)
    return row


def _with_calendars(branches: Sequence[Branch]) -> Sequence[Branch]:
    """The same branches, with what their calendars need (two queries, or none where they have it)."""
    prefetch_related_objects(branches, "opening_hours", "closures")
    return branches


def _time_columns(name: str, words: str) -> list[Column]:
    columns = [Column(name, words.capitalize(), "count", f"Pairs {words} for the first time in the period.")]
    for percent, share in ((50, "half"), (90, "nine in ten")):
        columns += [
            Column(
                f"{name}_p{percent}_hours",
                f"{share.capitalize()} {words} within, working hours",
                "hours",
                f"Opening hours of the branch from the order until {share} of these pairs were {words}, without "
                f"closures and public holidays; the pair at the nearest rank (p{percent}).",
            ),
            Column(
                f"{name}_p{percent}_days",
                f"{share.capitalize()} {words} within, calendar days",
                "days",
                f"Calendar days of the branch from the day of the order until {share} of these pairs were {words}; the "
                f"pair at the nearest rank (p{percent}).",
            ),
        ]
    return columns


MADE_FACTS = keep(
    Kind(
        "made",
        MadeFact,
        ("jobs", "right", "on_first_promise", "on_last_promise", "lenses_made"),
        _made,
        groupings=("product", "person"),
    )
)
LOSS_FACTS = keep(Kind("losses", LossFact, (*REMADE, *LOST), _losses, groupings=tuple(LOSS_KEYS)))
TIMES_FACTS = keep(
    Kind(
        "times",
        TimesFact,
        ("packed_hours", "packed_days", "handed_over_hours", "handed_over_days"),
        _waits,
        histograms=True,
    )
)

TURNAROUND = register(
    Report(
        key="turnaround",
        title="Turnaround",
        purpose="How long customers wait for their spectacles, from the order to the packed pair and to the handover.",
        columns=(*_time_columns("packed", "packed"), *_time_columns("handed_over", "handed over")),
        groupings=("branch", "day", "week", "month"),
        figures=turnaround,
        reconciled_with="the finished jobs and the handovers (tests/reports/test_reports_workshop.py)",
        permission=QualityPermission.FIGURES,
        is_heavy=True,
        chart=Chart(kind="bars", x="by", y=("packed_p50_hours", "packed_p90_hours")),
        drills=(
            Drill("/api/v1/jobs/?state=finished&is_remake=false", since="finished_from", until="finished_to"),
            Drill("/api/v1/handovers/?is_first=true", since="handed_over_from", until="handed_over_to"),
        ),
    )
)

RIGHT_FIRST_TIME = register(
    Report(
        key="right-first-time",
        title="Right first time",
        purpose="How often a pair passes at the first attempt and does not come back.",
        columns=(
            Column("finished", "Finished", "count", "First attempts at an order that were packed in the period."),
            Column(
                "right",
                "Right first time",
                "count",
                "Of these, the pairs with no failed final inspection, no further attempt and no return within "
                f"{RETURN_DAYS} days of being packed, causes that are no fault of the making left aside.",
            ),
            Column("right_share", "Share right first time", "share", "Right first time over finished."),
            Column(
                "not_yet_settled",
                "May still come back",
                "count",
                f"Of the finished, those packed less than {RETURN_DAYS} days ago.",
            ),
        ),
        groupings=("branch", "product", "person", "day", "week", "month"),
        figures=right_first_time,
        reconciled_with="the raw rows, counted anew one by one (tests/quality/test_quality_figures.py)",
        permission=QualityPermission.FIGURES,
        is_heavy=True,
        chart=Chart(kind="bars", x="by", y=("right_share",)),
        drills=(Drill("/api/v1/jobs/?state=finished&is_remake=false", since="finished_from", until="finished_to"),),
    )
)

REMAKES_AND_SPOIL = register(
    Report(
        key="remakes-and-spoil",
        title="Remakes and spoil",
        purpose="What is made again and what is lost on the bench, why, and what it costs.",
        columns=(
            Column("remakes", "Remakes", "count", "Further attempts at an order that were opened in the period."),
            Column(
                "remake_share",
                "Remakes per pair",
                "share",
                "Remakes over first attempts packed in the period; by cause and by bearer, over all of them.",
            ),
            Column(
                "remake_cost",
                "Cost of remakes",
                "money",
                "What the lenses that were cut and are made again cost, as far as they came from stock.",
            ),
            Column(
                "remakes_without_cost",
                "Remakes without a cost",
                "count",
                "Remakes for which stock knows no cost: no lens was cut yet, or it was made to order.",
            ),
            Column("lenses_lost", "Lenses lost", "count", "Lenses lost on the bench in the period."),
            Column("frames_lost", "Frames lost", "count", "Frames lost on the bench in the period."),
            Column(
                "lost_with_the_order",
                "Lost with the order",
                "count",
                "Pieces spoilt because the order was called off or changed, which is no loss of the bench.",
            ),
            Column(
                "spoil_share",
                "Spoil",
                "share",
                "Lenses lost on the bench over these and those of all jobs packed; by cause and by bearer, over all.",
            ),
            Column(
                "spoil_cost",
                "Cost of spoil",
                "money",
                "What all pieces lost cost, on the bench or with the order, at the cost of their lots.",
            ),
            Column(
                "spoilt_without_cost",
                "Lost without a cost",
                "count",
                "Pieces lost that were in no stock: made to order, or the customer's own.",
            ),
            Column("cost", "Cost", "money", "Cost of remakes and of spoil."),
        ),
        groupings=("branch", "cause", "borne_by", "day", "week", "month"),
        figures=remakes_and_spoil,
        reconciled_with="the write-offs of the stock ledger (tests/reports/test_reports_workshop.py)",
        permission=QualityPermission.FIGURES,
        is_heavy=True,
        chart=Chart(kind="stacked", x="by", y=("remake_cost", "spoil_cost")),
        drills=(Drill("/api/v1/jobs/?is_remake=true", since="opened_from", until="opened_to"),),
    )
)
