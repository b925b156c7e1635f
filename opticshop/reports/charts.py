"""A report as a picture, SVG or PNG: a panel for each unit and currency, since neither is ever added to another.

Groups in time run from left to right, as lines or stacked columns; all others are bars from the left, whose names have
room. Colours are those of Okabe and Ito ("Color Universal Design", jfly.uni-koeln.de/color, 2008), which are told apart
in the common kinds of colour blindness; nothing is said by colour alone: lines differ in their marks, and the period
before is dashed or hatched. The same rows give the same bytes. No scripts; nothing of the data is taken for markup.

Drawing is costly to import: import this module where a picture is asked for.
"""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from xml.sax.saxutils import escape

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from opticshop.core.money import minor_unit
from opticshop.quality.charts_drawing import FAINT, INK, LIMIT, RULE, SHAPES, headings, sheet, svg_of
from opticshop.quality.figures import SPANS, span_label

from .registry import Column, Report, Row, Scope

#: Blue, orange, bluish green, black, sky blue, vermilion, reddish purple: those of Okabe and Ito but yellow, which is
#: too faint on white, in such an order that the first five differ most to the colour blind.
PALETTE = ("#0072B2", "#E69F00", "#009E73", "#000000", "#56B4E9", "#D55E00", "#CC79A7")
#: Bars of a grouping that is not in time, the largest; in time all groups are drawn.
MOST_BARS = 24
#: More groups in time than this carry no number each, and lines no marks.
NUMBERED = 8
MARKED = 62
MOST_PANELS = 8
_WIDTH_IN, _HEAD_IN, _GAP_IN, _FOOT_IN = 10.0, 0.85, 0.72, 0.25
_SUMS = frozenset({"count", "money"})
_UNITS: Mapping[str, str] = {"hours": "hours", "days": "days", "rate": "rate", "count": "number", "share": "%"}
#: Digits behind the point of what is not money.
_PLACES: Mapping[str, int] = {"count": 0, "days": 0, "share": 1, "hours": 1, "rate": 2}


class NoChart(ValueError):
    """The report has no chart: its figures are for reading row by row."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """The rows of the same report over other days; ``scope`` is the same but for its days."""

    scope: Scope
    rows: Sequence[Row]


@dataclass(frozen=True, slots=True)
class _Series:
    column: Column
    values: list[float]
    earlier: list[float] | None


@dataclass(frozen=True, slots=True)
class _Panel:
    """Values of one unit: shares in per cent, money in ``currency``; NaN where there is nothing to show."""

    kind: str
    currency: str
    groups: list[str]
    series: list[_Series]
    left_out: int
    is_in_time: bool
    is_stacked: bool

    @property
    def unit(self) -> str:
        """As written above the panel."""
        if self.kind == "money":
            return self.currency
        unit = _UNITS.get(self.kind, self.kind)
        return f"{unit}, of orders in {self.currency}" if self.currency else unit

    @property
    def most(self) -> float:
        """The largest value, by size."""
        told = (abs(v) for each in self.series for v in (*each.values, *(each.earlier or ())) if not math.isnan(v))
        return max(told, default=0.0)

    @property
    def bars(self) -> int:
        """Bars of one group, side by side."""
        each = 1 if self.is_stacked else len(self.series)
        return each * (2 if self.series[0].earlier is not None else 1)

    @property
    def height_in(self) -> float:
        return 2.6 if self.is_in_time else max(0.7, len(self.groups) * (0.14 + 0.17 * self.bars))


def chart_svg(report: Report, scope: Scope, rows: Sequence[Row], comparison: Comparison | None = None) -> str:
    """An SVG document with ``role="img"``, a title, and a description that tells the values. Raises NoChart."""
    panels = _panels(report, scope, rows, comparison)
    with sheet(_WIDTH_IN, _height_in(panels)) as figure:
        _draw(figure, report, scope, panels, comparison)
        drawn = svg_of(figure, title="")
    return _accessible(drawn, report.title, _described(report, scope, panels, comparison))


def chart_png(
    report: Report, scope: Scope, rows: Sequence[Row], comparison: Comparison | None = None, *, dpi: int = 144
) -> bytes:
    """The same picture, 10 inches wide at ``dpi`` dots an inch, its title and description in its texts.

    Raises NoChart.
    """
    panels = _panels(report, scope, rows, comparison)
    said = {"Title": report.title, "Description": _described(report, scope, panels, comparison), "Software": None}
    with sheet(_WIDTH_IN, _height_in(panels)) as figure:
        _draw(figure, report, scope, panels, comparison)
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=dpi, metadata=said)
    return out.getvalue()


def described(report: Report, scope: Scope, rows: Sequence[Row], comparison: Comparison | None = None) -> str:
    """What the picture shows, in words, for those who do not see it. Raises NoChart."""
    return _described(report, scope, _panels(report, scope, rows, comparison), comparison)


def _panels(report: Report, scope: Scope, rows: Sequence[Row], comparison: Comparison | None) -> list[_Panel]:
    """One for each (unit, currency) of the columns that the report charts, where any row has a value."""
    if report.chart is None:
        raise NoChart(report.key)
    by_key = {column.key: column for column in report.columns}
    charted = [by_key[key] for key in report.chart.y]
    panels = []
    for kind in dict.fromkeys(column.kind for column in charted):
        columns = [column for column in charted if column.kind == kind]
        of_kind = [row for row in rows if _has_any(row, columns)]
        is_stacked = report.chart.kind == "stacked" and len(columns) > 1
        for currency in _parts(kind, scope.by, of_kind):
            kept = _of_part(of_kind, currency)
            before = Comparison(comparison.scope, _of_part(comparison.rows, currency)) if comparison else None
            panels.append(_panel(scope, kind, currency, columns, kept, before, is_stacked=is_stacked))
    return panels[:MOST_PANELS]


def _panel(
    scope: Scope,
    kind: str,
    currency: str,
    columns: Sequence[Column],
    rows: Sequence[Row],
    comparison: Comparison | None,
    *,
    is_stacked: bool,
) -> _Panel:
    is_in_time = scope.by in SPANS
    if is_in_time:
        groups, before = _spans(scope), _spans(comparison.scope) if comparison else []
        left_out = 0
    else:
        largest = sorted(rows, key=lambda row: -abs(_number(row.get(columns[0].key), kind)))[:MOST_BARS]
        kept = {str(row[scope.by]) for row in largest}
        groups = [name for name in dict.fromkeys(str(row[scope.by]) for row in rows) if name in kept]
        before, left_out = groups, len(rows) - len(largest)
    series = []
    for column in columns:
        values = _values(scope.by, column, groups, rows)
        earlier = None
        if comparison is not None:
            found = _values(scope.by, column, before, comparison.rows)[: len(groups)]
            earlier = found + [math.nan] * (len(groups) - len(found))
        series.append(_Series(column, values, earlier))
    return _Panel(kind, currency, groups, series, left_out, is_in_time, is_stacked)


def _values(by: str, column: Column, groups: Sequence[str], rows: Sequence[Row]) -> list[float]:
    """By group. A sum of which there is no row is nothing; a share or a time of which there is none is a gap."""
    found = {str(row[by]): row.get(column.key) for row in rows}
    missing: Any = 0 if column.kind in _SUMS else None
    return [_number(found.get(group, missing), column.kind, gap=math.nan) for group in groups]


def _spans(scope: Scope) -> list[str]:
    """All days, weeks or months that the period touches, in order, also those without a row."""
    days = (scope.since + dt.timedelta(days=later) for later in range((scope.until - scope.since).days + 1))
    return list(dict.fromkeys(span_label(day, scope.by) for day in days))


def _parts(kind: str, by: str, rows: Sequence[Row]) -> list[str]:
    """The currencies of which each has a panel; one for all, "", where no group is of two and it is not about money."""
    names = [str(row[by]) for row in rows]
    if kind != "money" and len(set(names)) == len(names):
        return [""] if rows else []
    return sorted({_currency(row) for row in rows})


def _of_part(rows: Sequence[Row], currency: str) -> list[Row]:
    return [row for row in rows if not currency or _currency(row) == currency]


def _number(value: Any, kind: str, gap: float = 0.0) -> float:
    """Of what a chart can show; a share becomes per cent. For drawing only: figures stay Decimal."""
    if value is None or isinstance(value, str):
        return gap
    return float(value) * 100 if kind == "share" else float(value)


def _has_any(row: Row, columns: Sequence[Column]) -> bool:
    return any(row.get(column.key) is not None for column in columns)


def _currency(row: Row) -> str:
    return str(row.get("currency") or "")


def _height_in(panels: Sequence[_Panel]) -> float:
    return _HEAD_IN + _FOOT_IN + (sum(panel.height_in + _GAP_IN for panel in panels) or 1.2)


def _draw(
    figure: Figure, report: Report, scope: Scope, panels: Sequence[_Panel], comparison: Comparison | None
) -> None:
    height = figure.get_figheight()
    headings(figure, report.title, _subtitle(scope, comparison))
    if not panels:
        figure.text(0.5, 0.4, "There is nothing to show for this period.", ha="center", fontsize=10, color=LIMIT)
    top = height - _HEAD_IN
    names = [name for panel in panels if not panel.is_in_time for name in panel.groups]
    left = 0.075 if not names else min(0.30, max(0.075, 0.02 + 0.0073 * max(len(_short(name)) for name in names)))
    for panel in panels:
        top -= 0.30
        axes = figure.add_axes((left, (top - panel.height_in) / height, 0.965 - left, panel.height_in / height))
        (_in_time if panel.is_in_time else _bars)(axes, panel)
        _legend(figure, axes, panel, left, (top + 0.13) / height, comparison)
        top -= panel.height_in + _GAP_IN - 0.30


def _in_time(axes: Axes, panel: _Panel) -> None:
    places = range(len(panel.groups))
    if panel.is_stacked:
        _stacked_columns(axes, panel)
    else:
        for number, series in enumerate(panel.series):
            colour, mark = PALETTE[number % len(PALETTE)], SHAPES[number % len(SHAPES)]
            shape = mark if len(panel.groups) <= MARKED else ""
            if series.earlier is not None:
                axes.plot(places, series.earlier, color=colour, linewidth=1.1, linestyle=(0, (4, 2.5)), alpha=0.75)
            axes.plot(places, series.values, color=colour, linewidth=1.8, marker=shape, markersize=4)
            if len(panel.groups) <= NUMBERED and len(panel.series) == 1:
                for place, value in zip(places, series.values, strict=True):
                    if not math.isnan(value):
                        axes.annotate(
                            _written(value, panel), (place, value), (0, 6), textcoords="offset points", ha="center"
                        )
    axes.set_xlim(-0.5, len(panel.groups) - 0.5)
    every = max(1, math.ceil(len(panel.groups) / 12))
    axes.set_xticks(list(places)[::every], panel.groups[::every])
    _value_axis(axes, panel, axes.yaxis)
    axes.grid(axis="y", color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)


def _stacked_columns(axes: Axes, panel: _Panel) -> None:
    """The period before stands to the left of the period it is compared with."""
    stripes = list(reversed(_stripes(panel)))
    width = 0.7 / len(stripes)
    for slot, stripe in enumerate(stripes):
        places = [group - 0.35 + (slot + 0.5) * width for group in range(len(panel.groups))]
        below = [0.0] * len(places)
        for number, is_earlier in stripe:
            raw = _raw(panel.series[number], is_earlier)
            values = [0.0 if math.isnan(value) else value for value in raw]
            axes.bar(places, values, width * 0.92, bottom=below, **_look(number, is_earlier))
            below = [low + value for low, value in zip(below, values, strict=True)]


def _bars(axes: Axes, panel: _Panel) -> None:
    """From the left, the first group on top; the value at the end of each."""
    thick = 0.8 / panel.bars
    ends: list[tuple[float, float, str]] = []
    for slot, stripe in enumerate(_stripes(panel)):
        places = [row - 0.4 + (slot + 0.5) * thick for row in range(len(panel.groups))]
        start, is_none = [0.0] * len(places), [True] * len(places)
        for number, is_earlier in stripe:
            raw = _raw(panel.series[number], is_earlier)
            values = [0.0 if math.isnan(value) else value for value in raw]
            axes.barh(places, values, thick * 0.9, left=start, **_look(number, is_earlier))
            start = [low + value for low, value in zip(start, values, strict=True)]
            is_none = [none and math.isnan(value) for none, value in zip(is_none, raw, strict=True)]
        told = ["none" if none else _written(end, panel) for none, end in zip(is_none, start, strict=True)]
        ends += zip(places, start, told, strict=True)
    for place, end, words in ends:
        side = -1 if end < 0 else 1
        axes.annotate(
            words,
            (end, place),
            (4 * side, 0),
            textcoords="offset points",
            ha="right" if side < 0 else "left",
            va="center",
            fontsize=7,
            color=FAINT if words == "none" else INK,
        )
    axes.set_ylim(len(panel.groups) - 0.5, -0.5)
    axes.set_yticks(range(len(panel.groups)), [_short(name) for name in panel.groups])
    axes.tick_params(axis="y", labelcolor=INK)
    axes.margins(x=0.11)
    _value_axis(axes, panel, axes.xaxis)
    axes.axvline(0, color=LIMIT, linewidth=0.8)
    axes.grid(axis="x", color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)


def _stripes(panel: _Panel) -> list[list[tuple[int, bool]]]:
    """What lies side by side in a group: of each (number of the series, whether of the period before), one on the
    other."""
    whens = (False, True) if panel.series[0].earlier is not None else (False,)
    numbers = range(len(panel.series))
    if panel.is_stacked:
        return [[(number, is_earlier) for number in numbers] for is_earlier in whens]
    return [[(number, is_earlier)] for number in numbers for is_earlier in whens]


def _raw(series: _Series, is_earlier: bool) -> list[float]:
    return series.earlier if is_earlier and series.earlier is not None else series.values


def _look(number: int, is_earlier: bool) -> dict[str, Any]:
    colour = PALETTE[number % len(PALETTE)]
    if is_earlier:
        return {"facecolor": "white", "edgecolor": colour, "hatch": "/////", "linewidth": 0.8}
    return {"facecolor": colour, "edgecolor": colour, "linewidth": 0.8}


def _value_axis(axes: Axes, panel: _Panel, axis: Any) -> None:
    """From nothing on: a bar or line that begins higher makes changes look larger than they are."""
    is_across = axis is axes.xaxis
    low, high = axes.get_xlim() if is_across else axes.get_ylim()
    told = [value for series in panel.series for value in (*series.values, *(series.earlier or ())) if value == value]
    low, high = (0.0 if min(told, default=0.0) >= 0 else low), (high if max(told, default=0.0) > 0 else max(high, 0.0))
    if high <= low:
        high = low + 1.0
    if not is_across and high > 0:
        high += 0.1 * (high - low)  # room for numbers above the points
    (axes.set_xlim if is_across else axes.set_ylim)(low, high)
    axis.set_major_locator(MaxNLocator(nbins=6, integer=panel.kind in ("count", "days")))
    axis.set_major_formatter(FuncFormatter(lambda value, _: _tick(value)))


def _legend(figure: Figure, axes: Axes, panel: _Panel, left: float, at: float, comparison: Comparison | None) -> None:
    """Unit first, then each series with its mark, in one row above the panel."""
    is_line = panel.is_in_time and not panel.is_stacked
    handles: list[Any] = []
    for number, series in enumerate(panel.series):
        colour = PALETTE[number % len(PALETTE)]
        if is_line:
            shape = SHAPES[number % len(SHAPES)] if len(panel.groups) <= MARKED else ""
            handles.append(Line2D([], [], color=colour, marker=shape, markersize=4, label=series.column.title))
        else:
            handles.append(Patch(label=series.column.title, **_look(number, False)))
    if comparison is not None:
        words = f"before: {_period(comparison.scope)}"
        if is_line:
            handles.append(Line2D([], [], color=LIMIT, linestyle=(0, (4, 2.5)), linewidth=1.1, label=words))
        else:
            handles.append(Patch(facecolor="white", edgecolor=LIMIT, hatch="/////", linewidth=0.8, label=words))
    unit = figure.text(left, at, panel.unit, va="center")
    unit.set_color(LIMIT)
    axes.legend(
        handles=handles,
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=len(handles),
        frameon=False,
        fontsize=7.5,
        handlelength=1.8,
        borderaxespad=0.15,
        labelcolor=INK,
    )
    if panel.left_out:
        words = f"The {len(panel.groups)} largest; {panel.left_out} more are in the rows."
        axes.annotate(words, (1, 0), (0, -24), "axes fraction", "offset points", ha="right", color=LIMIT, fontsize=7)


def _subtitle(scope: Scope, comparison: Comparison | None) -> str:
    names = ", ".join(sorted(branch.code for branch in scope.branches))
    where = names if len(scope.branches) <= 4 else f"{len(scope.branches)} branches"
    said = f"{_period(scope)} · by {scope.by.replace('_', ' ')} · {where or 'no branch'}"
    return said if comparison is None else f"{said} · compared with {_period(comparison.scope)}"


def _period(scope: Scope) -> str:
    return f"{scope.since}" if scope.since == scope.until else f"{scope.since} to {scope.until}"


def _short(name: str, most: int = 34) -> str:
    return name if len(name) <= most else f"{name[: most - 1]}…"


def _tick(value: float) -> str:
    """Of an axis: thousands apart, as many digits as it takes."""
    text = f"{value:,.2f}".rstrip("0").rstrip(".")
    return text.replace(",", "\u202f").replace("-", "\u2212")


def _written(value: float, panel: _Panel, *, is_whole: bool = False) -> str:
    """A value with thousands apart; money of panels with large sums without its minor unit, unless ``is_whole``."""
    if panel.kind == "money":
        exponent = minor_unit(panel.currency).as_tuple().exponent
        places = -int(exponent) if is_whole or panel.most < 10_000 else 0
    else:
        places = _PLACES.get(panel.kind, 2)
    text = f"{Decimal(repr(value)):,.{places}f}".replace(",", "\u202f").replace("-", "\u2212")
    return f"{text}\u202f%" if panel.kind == "share" else text


def _described(report: Report, scope: Scope, panels: Sequence[_Panel], comparison: Comparison | None) -> str:
    said = [f"{report.purpose} {_subtitle(scope, comparison)}."]
    for panel in panels:
        unit = f" in {panel.unit}" if panel.kind not in ("count", "share") else ""
        for series in panel.series:
            said.append(f"{series.column.title}{unit}: {_told(panel, series.values)}.")
            if series.earlier is not None:
                said.append(f"Before: {_told(panel, series.earlier)}.")
        if panel.left_out:
            said.append(f"{panel.left_out} smaller groups are not drawn.")
    return " ".join(said if panels else [*said, "There is nothing to show for this period."])


def _told(panel: _Panel, values: Sequence[float]) -> str:
    """Up to ``MOST_BARS`` groups one by one; of more the lowest and the highest."""
    pairs = [(group, value) for group, value in zip(panel.groups, values, strict=True) if not math.isnan(value)]
    if len(pairs) > MOST_BARS:
        low, high = (pick(pairs, key=lambda pair: pair[1]) for pick in (min, max))
        ends = (f"{_written(value, panel, is_whole=True)} ({group})" for group, value in (low, high))
        return "from " + " to ".join(ends)
    return ", ".join(f"{group} {_written(value, panel, is_whole=True)}" for group, value in pairs) or "nothing"


def _accessible(drawn: str, title: str, words: str) -> str:
    """The drawing as one image with a name and a description (SVG 2, 5.7; WAI-ARIA 1.2, role img)."""
    head, mark, rest = drawn.partition("<svg ")
    attributes, end, content = rest.partition(">")
    named = f'<title id="chart-title">{escape(title)}</title>\n <desc id="chart-words">{escape(words)}</desc>'
    role = 'role="img" aria-labelledby="chart-title" aria-describedby="chart-words" '
    drawing = content.partition("<defs>")[2]  # after the metadata, of which the description says more
    return f"{head}{mark}{role}{attributes}{end}\n {named}\n <defs>{drawing}"
