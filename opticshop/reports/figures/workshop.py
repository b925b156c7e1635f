"""What the workshop takes, gets right, and loses: turnaround, right first time, remakes and spoil with their cost.

What is counted and when is defined in ``quality.figures``, which these reports read; only the handover and the costs
are added here. Days, weeks and months are those of the branch that did the work. p50 and p90 are nearest ranks, so each
is the time of a pair that was made.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Value, prefetch_related_objects

from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.core.percentiles import nearest_rank
from opticshop.core.shares import share_of
from opticshop.core.sums import MoneySum
from opticshop.orders.causes import CAUSES, Bearer
from opticshop.quality.figures import (
    ON_THE_BENCH,
    RETURN_DAYS,
    SPANS,
    By,
    bounds_of,
    branches_by_zone,
    span_label,
    span_of,
    tallies_of,
)
from opticshop.quality.models import Handover
from opticshop.quality.permissions import QualityPermission
from opticshop.workshop.models import Breakage, Job

from ..registry import Chart, Column, Drill, Report, Row, Scope, register

HOURS = Decimal("0.01")
NOT_SAID = "not said"
WHY = "a report of branches the asker may watch"


@dataclass(slots=True)
class Times:
    """Of a group of pairs: working minutes of the branch, and calendar days of it, one of each a pair."""

    minutes: list[float]
    days: list[int]


def turnaround(scope: Scope) -> list[Row]:
    """One row a group: the pairs packed and the pairs handed over for the first time, and how long they took."""
    branches = _with_calendars(scope.branches)
    tallies = tallies_of(branches, first=scope.since, last=scope.until, by=cast(By, scope.by))
    packed = {tally.label: Times(tally.minutes, tally.days) for tally in tallies}
    handed = _handed_over(branches, scope)
    nothing = Times([], [])
    return [
        {
            scope.by: label,
            **_times("packed", packed.get(label, nothing)),
            **_times("handed_over", handed.get(label, nothing)),
        }
        for label in sorted(packed.keys() | handed.keys())
        if label in handed or packed[label].minutes
    ]


def right_first_time(scope: Scope) -> list[Row]:
    """One row a group, as ``quality.figures`` counts it."""
    tallies = tallies_of(scope.branches, first=scope.since, last=scope.until, by=cast(By, scope.by), with_times=False)
    return [
        {
            scope.by: tally.label,
            "finished": tally.jobs,
            "right": tally.right,
            "right_share": share_of(tally.right, tally.jobs),
            "not_yet_settled": tally.not_yet_settled,
        }
        for tally in tallies
        if tally.jobs
    ]


def remakes_and_spoil(scope: Scope) -> list[Row]:
    """One row a group and currency of the orders: what was made again or lost, with the cost that stock knows.

    By cause and by bearer the shares are of all that was made, so they add up to the share of all.
    """
    made, rows = _made(scope), dict[tuple[str, str], Row]()
    for currency, groups in made.items():
        for label in groups if scope.by not in LOSS_KEYS else ():
            _row_of(rows, scope.by, label, currency)
    for zone, branches in branches_by_zone(scope.branches).items():
        start, end = bounds_of(zone, scope.since, scope.until)
        during = {"created_at__gte": start, "created_at__lt": end}
        again = Job.objects.everywhere(WHY).filter(branch__in=branches, attempt__gt=1, **during)
        _add(rows, scope.by, _grouped(again, scope.by, zone, "branch__code", "order__currency", 0), REMADE)
        lost = Breakage.objects.filter(job__branch__in=branches, **during)
        _add(rows, scope.by, _grouped(lost, scope.by, zone, "job__branch__code", "job__order__currency", 1), LOST)
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


def _grouped(rows: QuerySet[Any], by: str, zone: str, branch: str, currency: str, place: int) -> QuerySet[Any]:
    """The rows by (label or code or first day of the group, currency)."""
    if by in SPANS:
        key: Any = span_of("created_at", by, zone)
    else:
        key = Value("Total") if by == "total" else F(LOSS_KEYS[by][place] if by in LOSS_KEYS else branch)
    return rows.annotate(group=key).order_by().values_list("group", currency)


def _add(rows: dict[tuple[str, str], Row], by: str, grouped: QuerySet[Any], counted: dict[str, Any]) -> None:
    for group, currency, *values in grouped.annotate(**{f"counted_{name}": each for name, each in counted.items()}):
        label = span_label(group, by) if by in SPANS else _WORDS.get(by, {}).get(group, group) or NOT_SAID
        row = _row_of(rows, by, label, currency)
        for name, value in zip(counted, values, strict=True):
            row[name] += value or 0


def _row_of(rows: dict[tuple[str, str], Row], by: str, label: str, currency: str) -> Row:
    nothing = {name: Decimal(0) if name in MONEY else 0 for name in (*REMADE, *LOST)}
    return rows.setdefault((label, currency), {by: label, "currency": currency, **nothing})


def _made(scope: Scope) -> dict[str, dict[str, tuple[int, int]]]:
    """Currency -> label -> (pairs finished at the first attempt, lenses of all jobs finished)."""
    by = "total" if scope.by in LOSS_KEYS else scope.by
    made: dict[str, dict[str, tuple[int, int]]] = {}
    for currency in sorted({branch.currency for branch in scope.branches}):
        branches = [branch for branch in scope.branches if branch.currency == currency]
        tallies = tallies_of(branches, first=scope.since, last=scope.until, by=cast(By, by), with_times=False)
        made[currency] = {each.label: (each.jobs, each.lenses_made) for each in tallies}
    return made


def _handed_over(branches: Iterable[Branch], scope: Scope) -> dict[str, Times]:
    """Label -> the times from the order to its first handover, for handovers of the period. One query a time zone."""
    found: dict[str, Times] = {}
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
            times_of = found.setdefault(label, Times([], []))
            times_of.minutes.append(calendar.working_minutes(placed_at, handed_over_at))
            times_of.days.append(calendar.days_between(placed_at, handed_over_at))
    return found


def _times(name: str, times: Times) -> Row:
    row: Row = {name: len(times.days)}
    for percent in (50, 90):
        minutes = nearest_rank(times.minutes, percent)
        row[f"{name}_p{percent}_hours"] = None if minutes is None else (Decimal(minutes) / 60).quantize(HOURS)
        row[f"{name}_p{percent}_days"] = nearest_rank(times.days, percent)
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
