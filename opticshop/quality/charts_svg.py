"""The control chart as a picture: values or averages with limits and tolerance; broken rules carry their number."""

from __future__ import annotations

import datetime as dt
import math

from matplotlib.axes import Axes

from opticshop import spc

from .charts import ChartPoint, ControlChart, Limits
from .charts_drawing import (
    ALERT,
    BAND,
    DATA,
    FAINT,
    INK,
    INNER,
    LIMIT,
    RULE,
    SideLabel,
    headings,
    sheet,
    side_labels,
    signed,
    svg_of,
)
from .charts_drawing import number as plain

#: More points than this are drawn as a line without a mark for each.
MARKED = 250
#: Numbers of broken rules are written for at most this many runs, the newest.
NUMBERED = 60
_NAMES = {
    "power_m1": "power, first meridian",
    "power_m2": "power, second meridian",
    "add": "addition",
    "prism_horizontal": "horizontal prism",
    "prism_vertical": "vertical prism",
}
_UNITS = {"D": "D", "°": "°"}


def control_chart_svg(chart: ControlChart, *, parameter: str, named: str) -> str:
    """The chart; ``named`` says whose points these are. Without limits the sheet says why."""
    name = _NAMES.get(parameter, parameter.replace("_", " "))
    title = f"{name[:1].upper()}{name[1:]}, measured − ordered" + (f" · {named}" if named else "")
    with sheet(10.0, 5.8) as figure:
        headings(figure, title, _subtitle(chart))
        if chart.limits is None:
            figure.text(
                0.5, 0.5, " ".join(chart.notes) or "Nothing was measured.", ha="center", fontsize=10, color=LIMIT
            )
            return svg_of(figure, title=title)
        if chart.wanted.kind == "ewma":
            top = figure.add_axes((0.075, 0.115, 0.765, 0.755))
            _averages(top, chart, chart.limits)
        else:
            top = figure.add_axes((0.075, 0.37, 0.765, 0.50))
            _individuals(top, chart, chart.limits)
            low = figure.add_axes((0.075, 0.115, 0.765, 0.185))
            _ranges(low, chart, chart.limits)
            _days(top, chart)
            top.tick_params(labelbottom=False)
        _days(figure.axes[-1], chart)
        figure.text(0.012, 0.018, "\n".join(_foot(chart)), fontsize=7.5, color=LIMIT, va="bottom", linespacing=1.4)
        return svg_of(figure, title=title)


def _individuals(axes: Axes, chart: ControlChart, limits: Limits) -> None:
    count, unit = len(chart.points), _unit(chart)
    places = _places(limits)
    for sigmas, shade in ((2, BAND), (1, INNER)):
        reach = sigmas * limits.sigma
        axes.axhspan(limits.centre - reach, limits.centre + reach, color=shade, lw=0, zorder=0)
    _scale(axes, chart, [limits.lower, limits.upper])
    for value in (limits.lower, limits.upper):
        axes.axhline(value, color=LIMIT, lw=0.9, zorder=1)
    axes.axhline(limits.centre, color=LIMIT, lw=0.6, zorder=1)
    _points(axes, chart, [point.value for point in chart.points])
    labels = [
        SideLabel(limits.upper, f"upper limit {signed(limits.upper, places)}{unit}"),
        SideLabel(limits.centre, f"{_centre(chart)} {signed(limits.centre, places)}{unit}", INK, bold=True),
        SideLabel(limits.lower, f"lower limit {signed(limits.lower, places)}{unit}"),
        *_tolerance(axes, chart, places),
    ]
    _finish(axes, chart, count)
    side_labels(axes, labels)


def _averages(axes: Axes, chart: ControlChart, limits: Limits) -> None:
    xs = list(range(1, len(chart.points) + 1))
    unit, places = _unit(chart), _places(limits)
    lower, upper = [point.lower for point in chart.points], [point.upper for point in chart.points]
    axes.fill_between(xs, lower, upper, color=BAND, lw=0, zorder=0)
    for edge in (lower, upper):
        axes.plot(xs, edge, color=LIMIT, lw=0.9, zorder=1, drawstyle="steps-mid")
    values = [point.value for point in chart.points]
    axes.plot(xs, values, ls="none", marker="o", ms=2.2, mfc="none", mec=FAINT, mew=0.5, zorder=1)
    _scale(axes, chart, [*lower, *upper, *values])
    axes.axhline(limits.centre, color=LIMIT, lw=0.6, zorder=1)
    _points(axes, chart, [point.plotted for point in chart.points])
    labels = [
        SideLabel(upper[-1], f"upper limit {signed(upper[-1], places)}{unit}"),
        SideLabel(limits.centre, f"{_centre(chart)} {signed(limits.centre, places)}{unit}", INK, bold=True),
        SideLabel(lower[-1], f"lower limit {signed(lower[-1], places)}{unit}"),
        SideLabel(values[-1], "single values", FAINT),
        SideLabel(chart.points[-1].plotted, "moving average", DATA),
        *_tolerance(axes, chart, places),
    ]
    _finish(axes, chart, len(xs))
    side_labels(axes, labels)


def _ranges(axes: Axes, chart: ControlChart, limits: Limits) -> None:
    places, unit = _places(limits), _unit(chart)
    steps = [(i + 1, p.moving_range) for i, p in enumerate(chart.points) if p.moving_range is not None]
    xs, ys = [x for x, _ in steps], [y for _, y in steps]
    axes.axhline(limits.moving_range_upper, color=LIMIT, lw=0.9, zorder=1)
    axes.axhline(limits.mean_moving_range, color=LIMIT, lw=0.6, zorder=1)
    few = len(xs) <= MARKED
    axes.plot(xs, ys, color=DATA, lw=0.7 if few else 0.3, zorder=2, marker="o" if few else "", ms=2.6)
    wide = [(x, y) for x, y in steps if y > limits.moving_range_upper]
    axes.plot(
        [x for x, _ in wide], [y for _, y in wide], ls="none", marker="D", ms=4.2 if few else 2.2, color=ALERT, zorder=3
    )
    highest = max([limits.moving_range_upper, *ys]) or 1
    axes.set_ylim(-0.05 * highest, 1.12 * highest)
    axes.set_ylabel("step to the one before", fontsize=7.5)
    _finish(axes, chart, len(chart.points), ylabel=False)
    side_labels(
        axes,
        [
            SideLabel(limits.moving_range_upper, f"upper limit {plain(limits.moving_range_upper, places)}{unit}"),
            SideLabel(limits.mean_moving_range, f"mean {plain(limits.mean_moving_range, places)}{unit}"),
        ],
    )


def _points(axes: Axes, chart: ControlChart, ys: list[float]) -> None:
    xs = list(range(1, len(ys) + 1))
    few = len(xs) <= MARKED
    axes.plot(xs, ys, color=DATA, lw=0.8 if few else 0.3, zorder=2, marker="o" if few else "", ms=3.2)
    broken = [i for i, point in enumerate(chart.points) if point.rules]
    at = [xs[i] for i in broken], [ys[i] for i in broken]
    size, edge = (5.0, 0.6) if few else (2.4, 0.0)
    axes.plot(*at, ls="none", marker="D", ms=size, mfc=ALERT, mec="white", mew=edge, zorder=3)
    if chart.wanted.kind == "imr":
        _numbers(axes, chart, ys)


def _numbers(axes: Axes, chart: ControlChart, ys: list[float]) -> None:
    """The number of each rule at the last point of its run, away from the centre; rules of one point stand together."""
    assert chart.limits is not None
    at: dict[int, set[int]] = {}
    for each in chart.breaks[-NUMBERED:]:
        at.setdefault(each.last, set()).add(each.rule)
    written = -math.inf
    for position, rules in sorted(at.items()):
        if position - written < 0.012 * len(ys) and len(ys) > MARKED:
            continue
        written = position
        up = ys[position] >= chart.limits.centre
        axes.annotate(
            " ".join(str(rule) for rule in sorted(rules)),
            xy=(position + 1, ys[position]),
            xytext=(0, 6 if up else -6),
            textcoords="offset points",
            ha="center",
            va="bottom" if up else "top",
            fontsize=7.5,
            fontweight="bold",
            color=ALERT,
        )


def _tolerance(axes: Axes, chart: ControlChart, places: int) -> list[SideLabel]:
    """Draw the tolerance where it lies within the sheet; its labels."""
    if chart.tolerance is None:
        return []
    low, high = axes.get_ylim()
    found = []
    for value in (chart.tolerance, -chart.tolerance):
        if low <= value <= high:
            axes.axhline(value, color=INK, lw=0.9, ls=(0, (5, 3)), zorder=1)
            found.append(SideLabel(value, f"tolerance {signed(value, places)}{_unit(chart)}", INK))
    return found


def _scale(axes: Axes, chart: ControlChart, also: list[float]) -> None:
    """Room for points and limits, and for the tolerance unless it would press everything else flat."""
    values = [point.plotted for point in chart.points] + also
    low, high = min(values), max(values)
    reach = max(abs(low), abs(high))
    if chart.tolerance is not None and chart.tolerance <= 3 * reach:
        low, high = min(low, -chart.tolerance), max(high, chart.tolerance)
    pad = 0.09 * (high - low) or 1.0
    axes.set_ylim(low - pad, high + pad)


def _finish(axes: Axes, chart: ControlChart, count: int, *, ylabel: bool = True) -> None:
    margin = max(0.6, 0.012 * count)
    axes.set_xlim(1 - margin, count + margin)
    if ylabel:
        unit = {"D": "dioptres", "°": "degrees", "Δ": "prism dioptres"}.get(chart.unit, chart.unit)
        axes.set_ylabel(unit, fontsize=7.5)
    axes.grid(axis="y", color=RULE, lw=0.4, zorder=0)
    axes.set_axisbelow(True)


def _foot(chart: ControlChart) -> list[str]:
    """Which rules were broken, in words, and what must be known to read the chart."""
    rules = sorted({each.rule for each in chart.breaks}) if chart.wanted.kind == "imr" else []
    words = [f"{rule}  {spc.RULES[rule]}" for rule in rules]
    lines = ["     ".join(words[start : start + 3]) for start in range(0, len(words), 3)]
    return [*lines[:2], *(["  ".join(chart.notes)] if chart.notes else [])][:3]


def _days(axes: Axes, chart: ControlChart) -> None:
    """Days under the points; points stand one beside the other, however far apart in time."""
    count = len(chart.points)
    step = max(1, math.ceil(count / 8))
    places = list(range(0, count, step))
    axes.set_xticks([place + 1 for place in places], [_day(chart.points[place]) for place in places])


def _day(point: ChartPoint) -> str:
    return _spoken(point.row.measured_at)


def _spoken(moment: dt.datetime) -> str:
    return f"{moment.day} {moment:%b %Y}"


def _subtitle(chart: ControlChart) -> str:
    if not chart.points:
        return "no points"
    first, last = chart.points[0].row.measured_at, chart.points[-1].row.measured_at
    days = _spoken(first) if first.date() == last.date() else f"{_spoken(first)} to {_spoken(last)}"
    words = [f"{len(chart.points)} points, {days}"]
    if chart.wanted.kind == "ewma":
        words.append(f"moving average, weight {chart.wanted.weight:g}, limits {chart.wanted.width:g} sigma")
    if chart.capability is not None:
        cpk = chart.capability.cpk
        words.append(
            f"Cpk {plain(cpk.value, 2)} ({plain(cpk.lower, 2)} to {plain(cpk.upper, 2)}), "
            f"Ppk {plain(chart.capability.ppk.value, 2)}"
        )
    broken = sorted({each.rule for each in chart.breaks})
    if chart.limits is not None:
        if chart.wanted.kind == "ewma":
            outside = sum(1 for point in chart.points if point.rules)
            words.append(f"{outside} averages beyond their limits" if outside else "no average beyond its limits")
        else:
            words.append(f"rules broken: {', '.join(map(str, broken))}" if broken else "no rule broken")
    return "  ·  ".join(words)


def _centre(chart: ControlChart) -> str:
    return "mean" if chart.wanted.centre == "mean" else "as ordered"


def _unit(chart: ControlChart) -> str:
    unit = _UNITS.get(chart.unit, chart.unit)
    return unit if unit == "°" else f" {unit}"


def _places(limits: Limits) -> int:
    """Decimals that show a hundredth of the width of the limits, 1 to 4."""
    width = limits.upper - limits.lower
    return 2 if width <= 0 else min(4, max(1, 2 - math.floor(math.log10(width))))
