"""The rows of a report beside those of an earlier period, and where the records behind a row are listed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from opticshop.core.replica import read_from_replica
from opticshop.core.shares import share_of
from opticshop.quality.figures import SPANS, span_label

from .asking import Asked
from .registry import TOTAL, Report, Row, Scope

#: A row now, and that of the same group (and currency) of the earlier period, where one is compared with.
Pair = tuple[Row, Row | None]


#: How the rows of a report are reckoned: at once, or part by part.
Figures = Callable[[Report, Scope], Sequence[Row]]


def reckoned_whole(report: Report, scope: Scope) -> Sequence[Row]:
    """At once."""
    return report.figures(scope)


@dataclass(frozen=True, slots=True)
class Found:
    """``totals`` is one row, or one a currency."""

    rows: list[Pair]
    totals: list[Pair]


def found_for(asked: Asked, figures: Figures = reckoned_whole) -> Found:
    """What was asked for, read from the copy of the database where there is one.

    Groups that are days, weeks or months are compared in their order, the first with the first; all others by name. A
    group that there was only earlier has a row of its own, empty now.
    """

    def read() -> Found:
        rows = _side_by_side(figures, asked.report, asked.scope, asked.earlier)
        if asked.scope.by == TOTAL:
            return Found([], rows)
        earlier = asked.earlier and replace(asked.earlier, by=TOTAL)
        return Found(rows, _side_by_side(figures, asked.report, replace(asked.scope, by=TOTAL), earlier))

    return read_from_replica(read)


def change(kind: str, now: Any, before: Any) -> dict[str, Decimal | None] | None:
    """By how much a number rose, and that as a share of what it was; None where one of the two is not known."""
    if kind in ("text", "day") or now is None or before is None:
        return None
    was = Decimal(str(before))
    risen = Decimal(str(now)) - was
    return {"risen_by": risen, "share": share_of(risen, abs(was))}


def records_behind(report: Report, scope: Scope, row: Row) -> list[str]:
    """Where the API lists what a row is counted from: paths with the branch and the days of the row."""
    first, last = _days_of(row.get(scope.by), scope.by) or (scope.since, scope.until)
    since, until = max(first, scope.since), min(last, scope.until)
    here = [each for each in scope.branches if row.get("branch") == each.code] or list(scope.branches)
    links = []
    for drill in report.drills:
        query = [("branch", str(here[0].id))] if len(here) == 1 else []
        query += [(drill.since, since.isoformat())] if drill.since else []
        query += [(drill.until, until.isoformat())] if drill.until else []
        links.append(drill.path + ("&" if "?" in drill.path else "?") * bool(query) + urlencode(query))
    return links


def _side_by_side(figures: Figures, report: Report, scope: Scope, earlier: Scope | None) -> list[Pair]:
    rows = list(figures(report, scope))
    if earlier is None:
        return [(row, None) for row in rows]
    before = {_group(row, earlier): row for row in figures(report, earlier)}
    found: list[Pair] = [(row, before.pop(_group(row, scope), None)) for row in rows]
    for (group, currency), row in before.items():
        label = _label(group, scope) if scope.by in SPANS else group
        if label is not None:
            found.append(({scope.by: label} | ({"currency": currency} if "currency" in row else {}), row))
    return sorted(found, key=lambda pair: _place(pair[0], scope.by)) if scope.by in SPANS else found


def _place(row: Row, by: str) -> tuple[str, str]:
    return str(row.get(by)), str(row.get("currency") or "")


def _label(spans: int, scope: Scope) -> str | None:
    """The group that is so many spans after the first; None where it is after the period."""
    if scope.by == "month":
        months = scope.since.year * 12 + scope.since.month - 1 + spans
        day = dt.date(months // 12, months % 12 + 1, 1)
    elif scope.by == "week":
        day = scope.since - dt.timedelta(days=scope.since.weekday()) + dt.timedelta(days=7 * spans)
    else:
        day = scope.since + dt.timedelta(days=spans)
    return span_label(day, scope.by) if day <= scope.until else None


def _group(row: Row, scope: Scope) -> tuple[Any, ...]:
    """What the row of the earlier period is found by: its group, or how many spans after the first its span is."""
    label = row.get(scope.by)
    span = _days_of(label, scope.by)
    if span is not None and scope.by == "month":
        label = (span[0].year - scope.since.year) * 12 + span[0].month - scope.since.month
    elif span is not None:
        days = (span[1] - span[0]).days + 1
        label = (span[0] - scope.since + dt.timedelta(days=scope.since.weekday() if days > 1 else 0)).days // days
    return label, row.get("currency")


def _days_of(label: Any, by: str) -> tuple[dt.date, dt.date] | None:
    """The first and last day of a group that is a day, an ISO week or a month; None for all other groups."""
    if label is None:  # a total
        return None
    if by == "day":
        day = dt.date.fromisoformat(label)
        return day, day
    if by == "week":
        year, _, week = label.partition("-W")
        first = dt.date.fromisocalendar(int(year), int(week), 1)
        return first, first + dt.timedelta(days=6)
    if by == "month":
        first = dt.date.fromisoformat(f"{label}-01")
        return first, (first + dt.timedelta(days=31)).replace(day=1) - dt.timedelta(days=1)
    return None
