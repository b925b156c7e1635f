"""How all charts look: one sheet, one ink, one colour for what needs attention; words stand where they belong.

Colours are told apart in every common kind of colour blindness (after Okabe and Ito), and nothing is said by colour
alone. The same chart gives the same bytes: no date, no random ids.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

INK, FAINT, RULE = "#22282e", "#8a939b", "#d9dee2"
DATA, ALERT, LIMIT, SECOND = "#0072b2", "#d55e00", "#5c6670", "#00795a"
BAND, INNER = "#f3f6f8", "#e7edf1"
SERIES = (DATA, "#c46f00", SECOND, "#a8548a", "#2f8fc8", "#22282e", "#8a6212", "#8a939b")
#: Shapes beside colours, so that series are told apart in grey too.
SHAPES = ("o", "s", "^", "D", "v", "P", "X", "*")
_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "svg.hashsalt": "opticshop",
    "svg.fonttype": "path",
    "text.color": INK,
    "axes.edgecolor": RULE,
    "axes.labelcolor": LIMIT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "xtick.color": LIMIT,
    "ytick.color": LIMIT,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.major.size": 3,
    "ytick.major.size": 0,
    "axes.unicode_minus": True,
    "text.parse_math": False,
}


@dataclass(frozen=True, slots=True)
class SideLabel:
    """Words at the right end of a line."""

    at: float
    words: str
    colour: str = LIMIT
    bold: bool = False


@contextmanager
def sheet(width_in: float, height_in: float) -> Iterator[Figure]:
    """A white sheet in the style of all charts; draw and call ``svg_of`` inside."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width_in, height_in), facecolor="white")
        FigureCanvasSVG(figure)
        yield figure


def svg_of(figure: Figure, *, title: str) -> str:
    """The sheet as an SVG document, the same every time."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
    return out.getvalue()


def headings(figure: Figure, title: str, subtitle: str) -> None:
    """Title and one quiet line under it, at the left edge of the sheet."""
    figure.text(0.012, 0.985, title, fontsize=12, fontweight="bold", va="top")
    figure.text(0.012, 0.985 - 0.30 / figure.get_figheight(), subtitle, fontsize=8.5, color=LIMIT, va="top")


def side_labels(axes: Axes, labels: Sequence[SideLabel], *, line_in: float = 0.145) -> None:
    """Label lines at their right end; words that would touch are moved apart, in their order."""
    low, high = axes.get_ylim()
    height_in = axes.get_window_extent().height / axes.get_figure(root=True).dpi  # type: ignore[union-attr]
    gap = line_in / height_in
    ordered = sorted((label for label in labels if low <= label.at <= high), key=lambda label: label.at)
    places = [(label.at - low) / (high - low) for label in ordered]
    for place, label in zip(_apart(places, gap), ordered, strict=True):
        axes.annotate(
            label.words,
            xy=(1.0, place),
            xytext=(6, 0),
            xycoords="axes fraction",
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=label.colour,
            fontweight="bold" if label.bold else "normal",
            annotation_clip=False,
        )


def _apart(places: Sequence[float], gap: float) -> list[float]:
    """Ascending places a gap apart at least, near where they were, below 1 as far as there is room."""
    found: list[float] = []
    for place in places:
        found.append(max(place, found[-1] + gap) if found else place)
    overshoot = max(0.0, found[-1] - 1.0) if found else 0.0
    for position in range(len(found) - 1, -1, -1):
        ceiling = found[position + 1] - gap if position + 1 < len(found) else found[-1] - overshoot
        found[position] = min(found[position], ceiling)
    return found


def number(value: float, places: int) -> str:
    """With a real minus sign, without a minus zero."""
    text = f"{value:.{places}f}"
    return text.replace("-", "\u2212") if float(text) else text.lstrip("-")


def signed(value: float, places: int) -> str:
    text = number(value, places)
    return text if text.startswith("\u2212") or not float(text) else f"+{text}"


def plain_percent(value: float) -> str:
    return f"{number(value, 1)} %"
