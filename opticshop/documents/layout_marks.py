"""The small pieces of the layout drawing: pens, dimension lines, crosses and the legend."""

from __future__ import annotations

import math
from collections.abc import Callable

from .figures import Disc, Figure, Line, Pen, Point, Polygon, Shape, Words
from .fonts import text_width

INK, GREY, BLUE, RED, GREEN = "#111111", "#6b7280", "#1d4ed8", "#b91c1c", "#15803d"
PAPER, LENS_FILL, MISSING_FILL = "#ffffff", "#eef2f7", "#f3b8b8"

OUTLINE = Pen(INK, 0.4)
BOX = Pen(GREY, 0.2)
RIM = Pen(BLUE, 0.3, (2.4, 1.2))
USABLE = Pen(BLUE, 0.2, (0.6, 0.9))
DATUM = Pen(GREY, 0.15, (4.0, 1.0, 0.8, 1.0))
AXIS = Pen(GREEN, 0.35, (5.0, 1.0, 1.0, 1.0))
CENTRE = Pen(RED, 0.35)
BRACKET = Pen(RED, 0.5)
DIMENSION = Pen(INK, 0.15)
EXTENSION = Pen(GREY, 0.12)
MISSING = Pen(RED, 0.3)
BAR = Pen(INK, 0.5)

SMALL_MM, TEXT_MM, HEADING_MM = 2.4, 2.7, 3.6
_ARROW_MM, _ARROW_HALF_MM = 1.7, 0.45


def dimension(start: Point, end: Point, text: str, role: str) -> list[Shape]:
    """A level or upright dimension line with arrow heads, opened in the middle for its text.

    Where the text does not fit between the ends it stands beside the line.
    """
    (x1, y1), (x2, y2) = start, end
    length = math.hypot(x2 - x1, y2 - y1)
    upright = abs(x2 - x1) < abs(y2 - y1)
    room = length / 2 - text_width(text, TEXT_MM) / 2 - 0.8
    reach = room if room > 0.4 else length / 2
    along = ((x2 - x1) / length, (y2 - y1) / length) if length else (1.0, 0.0)
    shapes: list[Shape] = []
    for tip, sign in ((start, 1.0), (end, -1.0)):
        inner = (tip[0] + sign * along[0] * reach, tip[1] + sign * along[1] * reach)
        shapes.append(Line(tip, inner, DIMENSION, role))
        shapes.append(_arrow(tip, (sign * along[0], sign * along[1]), min(_ARROW_MM, reach)))
    drop = (0.35 if room > 0.4 else 1.25) * TEXT_MM
    middle = ((x1 + x2) / 2 + (drop if upright else 0.0), (y1 + y2) / 2 - (0.0 if upright else drop))
    shapes.append(Words(middle, text, TEXT_MM, "middle", turn_deg=90.0 if upright else 0.0, halo=PAPER, role=role))
    return shapes


def _arrow(tip: Point, along: Point, length: float) -> Polygon:
    back = (tip[0] + along[0] * length, tip[1] + along[1] * length)
    aside = (-along[1] * _ARROW_HALF_MM, along[0] * _ARROW_HALF_MM)
    corners = ((back[0] + aside[0], back[1] + aside[1]), (back[0] - aside[0], back[1] - aside[1]))
    return Polygon((tip, *corners), None, INK)


def optical_centre(at: Point, role: str = "optical-centre") -> list[Shape]:
    x, y = at
    return [
        Line((x - 3, y), (x + 3, y), CENTRE, role),
        Line((x, y - 3), (x, y + 3), CENTRE, role),
        Disc(at, 1.1, CENTRE, role=role),
    ]


def boxed_centre(at: Point, role: str = "boxed-centre") -> list[Shape]:
    x, y = at
    square = ((x - 0.8, y - 0.8), (x + 0.8, y - 0.8), (x + 0.8, y + 0.8), (x - 0.8, y + 0.8))
    return [Polygon(square, Pen(INK, 0.25), PAPER, role), Disc(at, 0.25, None, INK)]


def centration_point(at: Point, role: str = "centration-point") -> list[Shape]:
    x, y = at
    return [Polygon(((x - 1.4, y), (x, y - 1.4), (x + 1.4, y), (x, y + 1.4)), CENTRE, role=role)]


def nasal_mark(at: Point, sign: float, role: str = "nasal") -> list[Shape]:
    """A solid triangle inside the box, its tip on the nasal edge, with the letter N behind it."""
    x, y = at
    return [
        Polygon((at, (x - sign * 2.4, y + 1.3), (x - sign * 2.4, y - 1.3)), None, INK, role),
        Words((x - sign * 4.4, y - 0.36 * TEXT_MM), "N", TEXT_MM, "middle", bold=True, role=role),
    ]


def edge_number(at: Point, thickness_mm: float, role: str = "edge-thickness") -> Words:
    """The thickness of the edge at a place, to a tenth."""
    x, y = at
    return Words((x, y - 0.36 * SMALL_MM), f"{thickness_mm:.1f}", SMALL_MM, "middle", INK, halo=PAPER, role=role)


def rectangle(left: float, bottom: float, right: float, top: float, pen: Pen | None, fill: str, role: str) -> Polygon:
    return Polygon(((left, bottom), (right, bottom), (right, top), (left, top)), pen, fill, role)


def check_bar(left: float, y: float) -> list[Shape]:
    """A bar of exactly 100 mm with a tick every centimetre, and what it is for."""
    shapes: list[Shape] = [Line((left, y), (left + 100, y), BAR, "check-bar")]
    for centimetre in range(11):
        tall = 1.8 if centimetre in {0, 5, 10} else 1.0
        x = left + 10 * centimetre
        shapes.append(Line((x, y - tall), (x, y + tall), Pen(INK, 0.25), "check-tick"))
    shapes.append(Words((left + 103, y - 0.35 * TEXT_MM), "100 mm when printed at true size", TEXT_MM))
    return shapes


Sample = Callable[[float, float], list[Shape]]


def legend(figure: Figure, top: float, *, usable: bool, missing: bool, axis: bool, edge: bool) -> None:
    """What each kind of line and mark means, in columns under the drawing."""
    entries: list[tuple[str, Sample]] = [
        ("lens shape", lambda x, y: [rectangle(x, y - 1, x + 7, y + 1, OUTLINE, LENS_FILL, "")]),
        ("boxed size", lambda x, y: [rectangle(x, y - 1, x + 7, y + 1, BOX, "", "")]),
        ("datum line", lambda x, y: [Line((x, y), (x + 7, y), DATUM)]),
        ("nasal side", lambda x, y: nasal_mark((x + 6, y), 1.0, "")),
        ("optical centre", lambda x, y: _shrunk(x + 3.5, y)),
        ("fitting point", lambda x, y: centration_point((x + 3.5, y), "")),
        ("boxed centre", lambda x, y: boxed_centre((x + 3.5, y), "")),
        ("blank", lambda x, y: [Line((x, y), (x + 7, y), RIM)]),
    ]
    if usable:
        entries.append(("usable part", lambda x, y: [Line((x, y), (x + 7, y), USABLE)]))
    if axis:
        entries.append(("cylinder axis", lambda x, y: [Line((x, y), (x + 7, y), AXIS)]))
    if edge:
        entries.append(("edge in mm", lambda x, y: [edge_number((x + 3.5, y), 2.5, "")]))
    if missing:
        entries.append(("not covered", lambda x, y: [rectangle(x, y - 1, x + 7, y + 1, MISSING, MISSING_FILL, "")]))
    column = figure.width_mm / LEGEND_COLUMNS
    for place, (text, sample) in enumerate(entries):
        row, position = divmod(place, LEGEND_COLUMNS)
        x, y = figure.left + 2 + position * column, top - (row + 0.5) * LEGEND_ROW_MM
        figure.add(*sample(x, y), Words((x + 9, y - 0.35 * SMALL_MM), text, SMALL_MM))


LEGEND_COLUMNS, LEGEND_ROW_MM = 6, 4.2


def legend_height(*, usable: bool, missing: bool, axis: bool, edge: bool) -> float:
    return LEGEND_ROW_MM * math.ceil((8 + usable + missing + axis + edge) / LEGEND_COLUMNS)


def _shrunk(x: float, y: float) -> list[Shape]:
    return [Line((x - 2, y), (x + 2, y), CENTRE), Line((x, y - 1.8), (x, y + 1.8), CENTRE), Disc((x, y), 0.8, CENTRE)]
