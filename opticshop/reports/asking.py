"""What somebody asks a report for, checked: which report, which days, which branches, grouped by what.

A branch counts where the asker holds the report's own permission. Every refusal names what would be right.
"""

from __future__ import annotations

import calendar
import datetime as dt
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from opticshop.branches.models import Branch
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import DomainError, Forbidden, NotFound

from .registry import TOTAL, Report, Scope, all_reports, report_of

Compare = Literal["previous", "year_before"]
COMPARISONS: tuple[str, ...] = ("previous", "year_before")
#: The longest period of one report, in days.
LONGEST_DAYS = 366


class ReportNotKnown(NotFound):
    """There is no report of this key; ``allowed`` names those there are."""

    code = "reports.not_known"
    title = "There is no such report"


class PeriodNotUsable(DomainError):
    """The first day is after the last, or the period is longer than a report may be."""

    code = "reports.period_not_usable"
    title = "No report is made of this period"


class GroupingNotKnown(DomainError):
    """The report is not grouped by this; ``allowed`` names what it is grouped by."""

    code = "reports.grouping_not_known"
    title = "The report has no such grouping"


@dataclass(frozen=True, slots=True)
class Asked:
    """``earlier`` is the scope to compare with, where one was asked for."""

    report: Report
    scope: Scope
    earlier: Scope | None


def asked_for(
    actor: Actor,
    key: str,
    *,
    since: dt.date,
    until: dt.date,
    by: str = TOTAL,
    branches: Sequence[uuid.UUID] | None = None,
    compare: Compare | None = None,
) -> Asked:
    """Without ``branches`` all that the asker may see. One query.

    Raises ReportNotKnown, PeriodNotUsable, GroupingNotKnown; NotFound and Forbidden for a branch.
    """
    report = report_known(key)
    if not 0 <= (until - since).days < LONGEST_DAYS:
        raise PeriodNotUsable(
            f"{since} to {until}.", field="until", allowed=f"{since} or later, up to {LONGEST_DAYS} days in all"
        )
    groupings = (TOTAL, *report.groupings)
    if by not in groupings:
        raise GroupingNotKnown(f"{report.key} is not grouped by {by}.", field="by", allowed=list(groupings))
    scope = Scope(since, until, _branches(actor, report, branches), by)
    return Asked(report, scope, compared(scope, compare) if compare else None)


def compared(scope: Scope, how: Compare) -> Scope:
    """The same scope over as many days right before, or over the same days of the year before.

    29 February is compared with 28 February.
    """
    if how == "previous":
        length = scope.until - scope.since + dt.timedelta(days=1)
        return replace(scope, since=scope.since - length, until=scope.until - length)
    return replace(scope, since=_year_before(scope.since), until=_year_before(scope.until))


def _year_before(day: dt.date) -> dt.date:
    year = day.year - 1
    return day.replace(year=year, day=min(day.day, calendar.monthrange(year, day.month)[1]))


def reports_for(actor: Actor) -> list[Report]:
    """Those the actor may see at one branch or more, in order of their keys."""
    return [report for report in all_reports() if actor.may(report.permission)]


def report_known(key: str) -> Report:
    """Raises ReportNotKnown."""
    try:
        return report_of(key)
    except KeyError:
        known = [report.key for report in all_reports()]
        raise ReportNotKnown(f"There is no report {key}.", field="report", allowed=known) from None


def _branches(actor: Actor, report: Report, wanted: Sequence[uuid.UUID] | None) -> tuple[Branch, ...]:
    where = actor.where(report.permission)
    if not where:
        raise Forbidden(f"This needs the permission {report.permission}.", permission=str(report.permission))
    rows = Branch.objects.order_by("code")
    if wanted is None:
        return tuple(rows if where is ALL else rows.filter(id__in=where))
    found = {branch.id: branch for branch in rows.filter(id__in=wanted)}
    for branch_id in wanted:
        if branch_id not in found:
            raise NotFound(f"There is no branch {branch_id} here.", field="branches")
        actor.require(report.permission, branch_id)
    return tuple(found.values())
