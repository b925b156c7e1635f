"""What a report is, and which there are.

A report is a function from a ``Scope`` (days, branches, grouping) to rows, with a definition of each column beside it.
Figures come by group only; grouped by "total" they are one row (a currency), since a share or a percentile cannot be
added up from the rows of its groups.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from opticshop.branches.models import Branch
from opticshop.quality.figures import bounds_of

#: Key of a column, or the name of the grouping -> value.
Row = dict[str, Any]
Kind = Literal["text", "day", "count", "money", "share", "hours", "days", "rate"]
#: The grouping under which every report gives its totals.
TOTAL = "total"


@dataclass(frozen=True, slots=True)
class Column:
    """``definition`` is one plain sentence. A share is a fraction of 1, null where there is nothing to divide by."""

    key: str
    title: str
    kind: Kind
    definition: str


@dataclass(frozen=True, slots=True)
class Chart:
    """``x`` is "by" for the grouping asked for; ``y`` are keys of columns."""

    kind: Literal["bars", "lines", "stacked"]
    x: str
    y: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Drill:
    """A list of the API that shows the records; ``since`` and ``until`` are its filters by day, both included."""

    path: str
    since: str = ""
    until: str = ""


@dataclass(frozen=True, slots=True)
class Scope:
    """What is asked: days of each branch's own calendar, both included; branches that the asker may see and chose."""

    since: dt.date
    until: dt.date
    branches: tuple[Branch, ...]
    by: str

    def windows(self) -> Mapping[uuid.UUID, tuple[dt.datetime, dt.datetime]]:
        """Branch -> from the first instant of its first day to the first after its last day."""
        return {branch.id: bounds_of(branch.time_zone, self.since, self.until) for branch in self.branches}


@dataclass(frozen=True, slots=True)
class Report:
    """``figures`` gives one row a group (and currency); ``reconciled_with`` says by which test, and against what."""

    key: str
    title: str
    purpose: str
    columns: tuple[Column, ...]
    groupings: tuple[str, ...]
    figures: Callable[[Scope], Sequence[Row]]
    reconciled_with: str
    permission: str
    is_heavy: bool = False
    chart: Chart | None = None
    drills: tuple[Drill, ...] = ()


_reports: dict[str, Report] = {}


def register(report: Report) -> Report:
    """Enter a report under its key. Raises ValueError where the key is taken or a name stands twice."""
    names = [*report.groupings, *(column.key for column in report.columns)]
    if len(set(names)) != len(names):
        raise ValueError(f"a column of {report.key} stands twice, or is called like a grouping")
    if _reports.setdefault(report.key, report) is not report:
        raise ValueError(f"two reports are called {report.key}")
    return report


def report_of(key: str) -> Report:
    """Raises KeyError."""
    return _reports[key]


def all_reports() -> tuple[Report, ...]:
    """In order of their keys."""
    return tuple(_reports[key] for key in sorted(_reports))
