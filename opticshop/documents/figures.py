"""A drawing as a list of shapes in millimetres, independent of what it is drawn on.

x runs to the right and y up. ``figure_svg`` and ``figure_pdf`` put the same drawing on a screen or on paper.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from .fonts import text_width

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Pen:
    """How a line is drawn. ``dash_mm`` alternates drawn and left-out lengths; empty is a full line."""

    colour: str = "#111111"
    width_mm: float = 0.2
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    start: Point
    end: Point
    pen: Pen
    role: str = ""


@dataclass(frozen=True, slots=True)
class Polygon:
    points: tuple[Point, ...]
    pen: Pen | None
    fill: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True)
class Disc:
    """A circle; filled when ``fill`` names a colour."""

    centre: Point
    radius_mm: float
    pen: Pen | None
    fill: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; ``at`` is on its base line. ``halo`` is a colour that clears what lies behind it."""

    at: Point
    text: str
    size_mm: float = 2.6
    anchor: Anchor = "start"
    colour: str = "#111111"
    bold: bool = False
    turn_deg: float = 0.0
    halo: str = ""
    role: str = ""

    def box(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) of the text as set in our typeface; for level and upright lines."""
        width = text_width(self.text, self.size_mm, bold=self.bold)
        start = {"start": 0.0, "middle": -width / 2, "end": -width}[self.anchor]
        low, high = -0.22 * self.size_mm, 0.76 * self.size_mm
        x, y = self.at
        if self.turn_deg == 90.0:
            return x - high, y + start, x - low, y + start + width
        return x + start, y + low, x + start + width, y + high


def overlap(one: Words, other: Words, *, spare_mm: float = 0.0) -> bool:
    """Whether two texts would be printed over each other, or nearer than ``spare_mm``."""
    left, bottom, right, top = one.box()
    left2, bottom2, right2, top2 = other.box()
    return (
        left - spare_mm < right2 and left2 - spare_mm < right and bottom - spare_mm < top2 and bottom2 - spare_mm < top
    )


Shape = Line | Polygon | Disc | Words


@dataclass(slots=True)
class Figure:
    """A drawing and the rectangle of paper it takes: (left, bottom) to (right, top), in mm."""

    left: float
    bottom: float
    right: float
    top: float
    title: str = ""
    description: str = ""
    shapes: list[Shape] = field(default_factory=list)

    @property
    def width_mm(self) -> float:
        return self.right - self.left

    @property
    def height_mm(self) -> float:
        return self.top - self.bottom

    def add(self, *shapes: Shape) -> None:
        self.shapes.extend(shapes)

    def __iter__(self) -> Iterator[Shape]:
        return iter(self.shapes)
