"""A report as a page: the question read from the address, the rows and those of the period compared, told in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid, NotFound
from opticshop.reports.registry import Column, Report, Row, Scope, all_reports, report_of

from .doors import branches_with

#: How many days are shown where no period is asked, today included.
ORDINARY_DAYS = 28
#: The longest period, in days: two years and a day (our choice, no source: bounds what one page may cost).
LONGEST = 732
COMPARISONS = {"": "nothing", "previous": "the period before", "year_before": "a year before"}
DASH = "–"


@dataclass(frozen=True, slots=True)
class Asked:
    """What a report is asked: both days included; ``branch`` is a code, empty for all."""

    since: dt.date
    until: dt.date
    by: str
    branch: str
    compare: str

    def earlier(self) -> tuple[dt.date, dt.date]:
        """The period compared with: as many days before, or the same days a year before."""
        if self.compare == "year_before":
            return _year_before(self.since), _year_before(self.until)
        length = self.until - self.since + dt.timedelta(days=1)
        return self.since - length, self.since - dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Cell:
    title: str
    text: str
    is_number: bool
    before: str = ""


def reports_for(actor: Actor) -> list[Report]:
    return [report for report in all_reports() if actor.may(report.permission)]


def report_for(actor: Actor, key: str) -> Report:
    """Raises NotFound where there is none, Forbidden where the actor may not."""
    try:
        report = report_of(key)
    except KeyError as missing:
        raise NotFound(f"There is no report {key}.", field="key") from missing
    actor.require(report.permission)
    return report


def read(report: Report, actor: Actor, given: Mapping[str, str]) -> tuple[Asked, Scope, list[Branch]]:
    """The question, and the branches there are to choose from. Raises Invalid naming the field, NotFound."""
    branches = branches_with(actor, [report.permission])
    day = max((clock.today(each.time_zone) for each in branches), default=clock.today("UTC"))
    until = _day(given, "until", day)
    since = _day(given, "since", until - dt.timedelta(days=ORDINARY_DAYS - 1))
    by = given.get("by") or report.groupings[0]
    compare = given.get("compare", "")
    if since > until:
        raise Invalid("The first day comes after the last.", field="since")
    if (until - since).days >= LONGEST:
        raise Invalid(f"A period has at most {LONGEST} days.", field="since")
    if by not in report.groupings:
        raise Invalid(f"{by} is no way to group this report.", field="by", allowed=list(report.groupings))
    if compare not in COMPARISONS:
        raise Invalid(f"{compare} is nothing to compare with.", field="compare", allowed=[*COMPARISONS][1:])
    code = given.get("branch", "")
    chosen = [each for each in branches if code in ("", each.code)]
    if not chosen:
        raise NotFound(f"There is no branch {code} here.", field="branch")
    asked = Asked(since, until, by, code, compare)
    return asked, Scope(since, until, tuple(chosen), by), branches


def table(report: Report, asked: Asked, scope: Scope) -> tuple[list[str], list[list[Cell]], Sequence[Row]]:
    """Headings, cells, and the rows themselves."""
    rows = report.figures(scope)
    before: dict[tuple[Any, ...], Row] = {}
    if asked.compare:
        since, until = asked.earlier()
        for row in report.figures(replace(scope, since=since, until=until)):
            before[_key(row, asked.by)] = row
    told = []
    for row in rows:
        former = before.get(_key(row, asked.by))
        head = Cell(words(asked.by), str(row.get(asked.by, "")), is_number=False)
        told.append([head, *(_cell(column, row, former, bool(asked.compare)) for column in report.columns)])
    return [words(asked.by), *(column.title for column in report.columns)], told, rows


def shown(column: Column, row: Row) -> str:
    """A value as it is read."""
    value = row.get(column.key)
    if value is None:
        return DASH
    if column.kind == "money":
        return f"{value:,.2f} {row.get('currency', '')}".rstrip()
    if column.kind == "share":
        return f"{Decimal(value) * 100:.1f} %"
    if column.kind == "hours":
        return f"{value:,.1f} h"
    if column.kind in ("count", "days"):
        return f"{value:,}"
    return str(value)


def words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _cell(column: Column, row: Row, former: Row | None, is_compared: bool) -> Cell:
    is_number = column.kind not in ("text", "day")
    before = (shown(column, former) if former else DASH) if is_compared and is_number else ""
    return Cell(column.title, shown(column, row), is_number, before)


def _key(row: Row, by: str) -> tuple[Any, ...]:
    """Rows of one group in one currency are compared."""
    return row.get(by), row.get("currency")


def _day(given: Mapping[str, str], name: str, otherwise: dt.date) -> dt.date:
    text = given.get(name, "")
    if not text:
        return otherwise
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise Invalid(f"{name} is a day like 2026-03-02.", field=name) from error


def _year_before(day: dt.date) -> dt.date:
    """29 February becomes the 28th."""
    try:
        return day.replace(year=day.year - 1)
    except ValueError:
        return day.replace(year=day.year - 1, day=28)
