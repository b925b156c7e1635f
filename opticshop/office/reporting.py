"""A report as a page: the question read from the address, asked as the API asks it, and its rows told in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import cast

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid
from opticshop.reports.asking import COMPARISONS, Asked, Compare, asked_for, report_known
from opticshop.reports.comparing import Found, Pair
from opticshop.reports.registry import TOTAL, Column, Row
from opticshop.reports.serializers import USUAL_DAYS

from .doors import branch_with, branches_with

#: What is asked in the address -> how it reads.
COMPARED = {"": "nothing", "previous": "the period before", "year_before": "a year before"}
DASH = "–"


#: Column that is not told while something is missing -> the column that counts what is missing, and its words.
MISSING = {
    "margin": ("cost_not_known", "the cost of {} of {} pairs is not known"),
    "margin_share": ("cost_not_known", "the cost of {} of {} pairs is not known"),
}


@dataclass(frozen=True, slots=True)
class Cell:
    """``why`` says why there is no figure, where it can be said."""

    title: str
    text: str
    is_number: bool
    before: str = ""
    why: str = ""


def read(actor: Actor, key: str, given: Mapping[str, str]) -> tuple[Asked, list[Branch]]:
    """The question, and the branches there are to choose from. Raises what ``asked_for`` does, and Invalid."""
    report = report_known(key)
    actor.require(report.permission)
    branches = branches_with(actor, [report.permission])
    until = _day(given, "until", max((clock.today(each.time_zone) for each in branches), default=clock.today("UTC")))
    code, compare = given.get("branch", ""), given.get("compare", "")
    if compare and compare not in COMPARISONS:
        raise Invalid(f"{compare} is nothing to compare with.", field="compare", allowed=list(COMPARISONS))
    asked = asked_for(
        actor,
        key,
        since=_day(given, "since", until - dt.timedelta(days=USUAL_DAYS - 1)),
        until=until,
        by=given.get("by") or report.groupings[0],
        branches=[branch_with(actor, code, report.permission).id] if code else None,
        compare=cast(Compare, compare) if compare else None,
    )
    return asked, branches


def table(asked: Asked, found: Found) -> list[list[Cell]]:
    """The rows, and below them the totals, each cell with its heading."""
    scope, is_compared = asked.scope, asked.earlier is not None
    by = "" if scope.by == TOTAL else scope.by

    def told(pair: Pair, label: str) -> list[Cell]:
        now, before = pair
        head = Cell(words(scope.by), label, is_number=False)
        return [head, *(_cell(column, now, before, is_compared) for column in asked.report.columns)]

    rows = [told(pair, str(pair[0].get(by, ""))) for pair in found.rows]
    return rows + [told(pair, "Total") for pair in found.totals if rows or not by]


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
    return Cell(column.title, shown(column, row), is_number, before, _why(column, row))


def _why(column: Column, row: Row) -> str:
    counts, text = MISSING.get(column.key, ("", ""))
    missing = row.get(counts)
    return text.format(missing, row.get("pairs")) if row.get(column.key) is None and missing else ""


def _day(given: Mapping[str, str], name: str, otherwise: dt.date) -> dt.date:
    text = given.get(name, "")
    if not text:
        return otherwise
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise Invalid(f"{name} is a day like 2026-03-02.", field=name) from error
