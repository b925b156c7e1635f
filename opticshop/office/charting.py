"""A report's chart for its page, from the very rows of its table: nothing is asked or reckoned a second time.

Lengths are shares of the longest bar of a panel; a panel holds one unit and one currency, since neither is ever added
to another. Words and numbers stay text of the page, so that a phone does not shrink them; colours come from the style
sheet, light or dark. Every figure drawn is also in the table below, so colour and length say nothing alone.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from opticshop.quality.figures import SPANS, span_label
from opticshop.reports.asking import Asked
from opticshop.reports.comparing import Found
from opticshop.reports.registry import TOTAL, Column, Row, Scope

from .reporting import shown

#: Groups that are drawn where they are names: the largest, where there are more; the table has all.
MOST_NAMES = 20
#: How many groups in time have their figures told, and how many their name below.
TOLD, NAMED = 14, 5
#: A mark further right would lie half outside of the drawing.
LAST_MARK = 99.4
#: Units of the drawing of groups in time; the page scales it, its words excepted.
WIDTH, HEIGHT = 640.0, 130.0


@dataclass(frozen=True, slots=True)
class Bar:
    """``length`` and ``before`` are shares of 100; ``before`` is None where nothing is compared or known."""

    series: int
    name: str
    text: str
    length: float
    before: float | None


@dataclass(frozen=True, slots=True)
class Named:
    label: str
    bars: Sequence[Bar]


@dataclass(frozen=True, slots=True)
class Post:
    """A column of a group in time, in units of the drawing."""

    series: int
    x: float
    y: float
    width: float
    height: float
    mark: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """Either ``names``, or ``columns`` with the ``ticks`` below them: (place in per cent, words)."""

    title: str
    series: Sequence[str]
    names: Sequence[Named] = ()
    columns: Sequence[Post] = ()
    ticks: Sequence[tuple[str, str]] = ()
    top: str = ""
    left_out: int = 0
    words: str = ""


@dataclass(slots=True)
class _Group:
    label: str
    now: Row | None = field(default=None)
    before: Row | None = field(default=None)


def panels(asked: Asked, found: Found) -> list[Panel]:
    """None where the report has no chart, or nothing in it is known."""
    report, scope = asked.report, asked.scope
    if report.chart is None:
        return []
    columns = [column for key in report.chart.y for column in report.columns if column.key == key]
    pairs = found.rows if scope.by != TOTAL else found.totals
    made = []
    for kind in dict.fromkeys(column.kind for column in columns):
        of_kind = [column for column in columns if column.kind == kind]
        for currency in sorted({str(pair[0].get("currency") or "") for pair in pairs}):
            groups = {label: _Group(label) for label in _spans(scope)}
            for now, before in pairs:
                if str(now.get("currency") or "") == currency:
                    label = str(now.get(scope.by, "Total"))
                    groups[label] = _Group(label, now, before)
            panel = _panel(asked, of_kind, list(groups.values()), currency)
            if panel is not None:
                made.append(panel)
    return made


def _spans(scope: Scope) -> list[str]:
    """Every group in time, also those of which there is no row."""
    if scope.by not in SPANS:
        return []
    days = (scope.until - scope.since).days + 1
    return list(dict.fromkeys(span_label(scope.since + dt.timedelta(days=each), scope.by) for each in range(days)))


def _panel(asked: Asked, columns: Sequence[Column], groups: list[_Group], currency: str) -> Panel | None:
    is_in_time = asked.scope.by in SPANS
    is_stacked = is_in_time and asked.report.chart is not None and asked.report.chart.kind == "stacked"
    top = _top(columns, groups, is_stacked)
    if not top:
        return None
    title = columns[0].title if len(columns) == 1 else _unit(columns[0])
    if currency:
        title += f", {currency}" if columns[0].kind == "money" else f", of orders in {currency}"
    series = [column.title for column in columns] if len(columns) > 1 else []
    if is_in_time:
        drawn = _in_time(columns, groups, top, is_stacked)
        words = "; ".join(f"{group.label}: {_told(columns, group.now)}" for group in groups[:TOLD])
        highest = shown(columns[0], {columns[0].key: top, "currency": currency})
        return Panel(title, series, columns=drawn, ticks=_ticks(groups), top=highest, words=words)
    ranked = (
        sorted(groups, key=lambda group: -_size(columns, group.now))[:MOST_NAMES]
        if len(groups) > MOST_NAMES
        else groups
    )
    names = [
        Named(group.label, [_bar(place, column, group, top) for place, column in enumerate(columns)])
        for group in ranked
    ]
    return Panel(title, series, names=names, left_out=len(groups) - len(ranked))


def _bar(place: int, column: Column, group: _Group, top: Decimal) -> Bar:
    before = _value(column, group.before)
    return Bar(
        series=place,
        name=column.title,
        text=shown(column, group.now or {}),
        length=_share(_value(column, group.now), top),
        before=None if before is None else min(_share(before, top), LAST_MARK),
    )


def _in_time(columns: Sequence[Column], groups: Sequence[_Group], top: Decimal, is_stacked: bool) -> list[Post]:
    slot = WIDTH / max(1, len(groups))
    wide = slot * 0.8 / (1 if is_stacked else len(columns))
    drawn = []
    for place, group in enumerate(groups):
        floor = HEIGHT
        for number, column in enumerate(columns):
            tall = HEIGHT * _share(_value(column, group.now), top) / 100
            before = _value(column, group.before)
            drawn.append(
                Post(
                    series=number,
                    x=round(place * slot + slot * 0.1 + (0 if is_stacked else number * wide), 2),
                    y=round((floor if is_stacked else HEIGHT) - tall, 2),
                    width=round(wide, 2),
                    height=round(tall, 2),
                    mark=None if before is None or is_stacked else round(HEIGHT * (1 - _share(before, top) / 100), 2),
                    words=f"{group.label}, {column.title}: {shown(column, group.now or {})}",
                )
            )
            floor -= tall
    return drawn


def _ticks(groups: Sequence[_Group]) -> list[tuple[str, str]]:
    """The first of every so many names, each at the middle of its column."""
    step = -(-len(groups) // NAMED)
    return [
        (f"{100 * (place + 0.5) / len(groups):.2f}", _short(group.label))
        for place, group in enumerate(groups)
        if place % step == 0
    ]


def _short(label: str) -> str:
    """A day without its year, since several stand beside one another; weeks and months as they are."""
    try:
        day = dt.date.fromisoformat(label) if len(label) == 10 else None
    except ValueError:
        day = None
    return f"{day.day} {day:%b}" if day else label


def _top(columns: Sequence[Column], groups: Sequence[_Group], is_stacked: bool) -> Decimal:
    """The longest bar, or the highest stack; nought where nothing above nought is known."""
    rows = [row for group in groups for row in (group.now, group.before) if row is not None]
    sizes = [_size(columns, row) if is_stacked else max(_known(columns, row), default=Decimal(0)) for row in rows]
    return max(sizes, default=Decimal(0))


def _size(columns: Sequence[Column], row: Row | None) -> Decimal:
    return sum(_known(columns, row), Decimal(0))


def _known(columns: Sequence[Column], row: Row | None) -> list[Decimal]:
    return [max(value, Decimal(0)) for column in columns if (value := _value(column, row)) is not None]


def _value(column: Column, row: Row | None) -> Decimal | None:
    value: Any = (row or {}).get(column.key)
    return None if value is None else Decimal(str(value))


def _share(value: Decimal | None, top: Decimal) -> float:
    return 0.0 if value is None or value <= 0 else round(float(100 * value / top), 2)


def _told(columns: Sequence[Column], row: Row | None) -> str:
    return ", ".join(f"{column.title} {shown(column, row or {})}" for column in columns)


def _unit(column: Column) -> str:
    return {"money": "Amounts", "share": "Shares", "count": "Numbers", "hours": "Hours", "days": "Days"}.get(
        column.kind, ""
    )
