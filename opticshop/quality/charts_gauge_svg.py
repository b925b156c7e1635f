"""A gauge study as a picture: how much of the spread is measuring, and each reading by part and operator."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from .charts_drawing import (
    ALERT,
    DATA,
    FAINT,
    INK,
    LIMIT,
    RULE,
    SERIES,
    SHAPES,
    SideLabel,
    headings,
    plain_percent,
    sheet,
    side_labels,
    svg_of,
)
from .charts_models import GaugeStudy

_WORDS = {
    "repeatability": "repeatability\n(the same person again)",
    "reproducibility": "reproducibility\n(person to person)",
    "gauge": "measuring, together",
    "parts": "parts themselves",
}
#: How the share of measuring is usually read (AIAG, Measurement Systems Analysis, from memory).
_PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
_READ = ((10, "good"), (30, "perhaps good enough"), (float("inf"), "not good enough"))


def gauge_study_svg(study: GaugeStudy) -> str:
    result: dict[str, Any] = study.result
    share = result["gauge_percent"]
    read = next(words for limit, words in _READ if share <= limit)
    method = GaugeStudy.Method(study.method).label.lower()
    subtitle = (
        f"measuring is {plain_percent(share)} of the total spread: {read}  ·  {result['categories']} categories"
        f" told apart  ·  {result['operators']} operators, {result['parts']} parts, {result['trials']} trials, {method}"
    )
    with sheet(10.0, 4.8) as figure:
        headings(figure, study.title, subtitle)
        _components(figure.add_axes((0.155, 0.13, 0.235, 0.66)), result)
        _readings(figure.add_axes((0.475, 0.13, 0.405, 0.66)), study)
        return svg_of(figure, title=study.title)


def _components(axes: Axes, result: dict[str, Any]) -> None:
    shares = {component["name"]: 100 * component["of_total"] for component in result["components"]}
    names = list(_WORDS)[::-1]
    for row, name in enumerate(names):
        colour = ALERT if name == "gauge" and shares[name] > 30 else DATA if name != "parts" else FAINT
        axes.barh(row, shares[name], height=0.56, color=colour, zorder=2)
        axes.text(
            shares[name] + 1.5,
            row,
            plain_percent(shares[name]),
            va="center",
            fontsize=8.5,
            fontweight="bold",
            bbox=_PAPER,
        )
    for limit in (10, 30):
        axes.axvline(limit, color=LIMIT, lw=0.8, ls=(0, (4, 3)), zorder=1)
        axes.text(limit, len(names) - 0.42, f"{limit} %", ha="center", va="bottom", fontsize=7, color=LIMIT)
    axes.set_yticks(range(len(names)), [_WORDS[name] for name in names])
    axes.set_xlim(0, 118)
    axes.set_ylim(-0.6, len(names) - 0.4)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.tick_params(axis="y", colors=INK)
    axes.set_xlabel(
        "share of the total standard deviation\n(the shares of variance add up, these do not)", fontsize=7.5
    )


def _readings(axes: Axes, study: GaugeStudy) -> None:
    data = np.array(study.readings, dtype=float)
    operators, parts, trials = data.shape
    middle = data.mean(axis=(0, 2))
    order = np.argsort(middle, kind="stable")
    spread = np.linspace(-0.22, 0.22, operators)
    labels = []
    for operator in range(operators):
        colour, shape = SERIES[operator % len(SERIES)], SHAPES[operator % len(SHAPES)]
        xs = np.arange(parts) + spread[operator]
        ys = data[operator][order] - middle[order, None]
        axes.plot(
            np.repeat(xs, trials), ys.ravel(), ls="none", marker=shape, ms=3.4, color=colour, mec="white", mew=0.3
        )
        means = ys.mean(axis=1)
        axes.plot(xs, means, color=colour, lw=0.9, alpha=0.85)
        labels.append(SideLabel(float(means[-1]), str(study.operators[operator]), colour, bold=True))
    axes.axhline(0, color=LIMIT, lw=0.6, zorder=0)
    axes.set_xticks(range(parts), [str(study.parts[part]) for part in order])
    axes.set_xlabel("parts, by size; lines join the means of each operator", fontsize=7.5)
    axes.set_ylabel(f"reading − mean of the part, {study.unit}", fontsize=7.5)
    axes.grid(axis="y", color=RULE, lw=0.4)
    axes.set_axisbelow(True)
    axes.set_xlim(-0.6, parts - 0.4)
    side_labels(axes, labels)
