"""The layout drawing of a pair: where each blank lies on its lens shape, millimetre for millimetre.

Both lenses are seen from the front, as they face the person at the bench: the wearer's right lens on the left. The
boxing system is that of ISO 8624, axes are TABO. The origin of the drawing is the middle of the bridge on the datum
line. ``layout_svg`` draws it alone; the bench ticket draws the same figure on paper.
"""

from __future__ import annotations

import math

import shapely
from shapely.geometry import Point as ShapelyPoint
from shapely.geometry import Polygon as ShapelyPolygon

from opticshop.optics.eyes import Eye

from . import layout_marks as marks
from .figure_svg import to_svg
from .figures import Anchor, Disc, Figure, Line, Point, Polygon, Words, overlap
from .fonts import text_width
from .layout_data import LayoutData, LayoutEye
from .layout_marks import HEADING_MM, SMALL_MM, TEXT_MM
from .wording import decentration, millimetres

__all__ = ["LayoutData", "LayoutEye", "layout_figure", "layout_svg"]

_SIDE_MM = 10.0
_LEAST_WIDTH_MM = 172.0
_HEADING_ROW_MM, _TITLE_ROW_MM, _WARNING_ROW_MM, _BAR_ROW_MM = 6.5, 11.0, 3.8, 7.0
_EDGE_GAP_MM = 2.8
_NAMES = {Eye.RIGHT: "RIGHT", Eye.LEFT: "LEFT"}
_VIEW = "seen from the front"
_SMALLEST_MISSING_MM2 = 0.01


def layout_svg(data: LayoutData) -> str:
    """The drawing as SVG: width and height in mm, one unit of the view box is one millimetre."""
    return to_svg(layout_figure(data))


def layout_figure(data: LayoutData, *, with_title: bool = True) -> Figure:
    """The drawing as shapes in mm."""
    missing = {each.eye: _not_covered(data, each) for each in data.eyes}
    kinds = {
        "usable": any(each.usable_diameter_mm is not None for each in data.eyes),
        "missing": any(missing.values()),
        "axis": any(each.axis_deg is not None for each in data.eyes),
        "edge": any(each.edge_mm for each in data.eyes),
    }
    half, top, bottom = _reach(data)
    title_row = _TITLE_ROW_MM + _WARNING_ROW_MM * len(data.warnings) if with_title and data.title else 0.0
    legend_top = bottom - _BAR_ROW_MM
    figure = Figure(
        left=-half,
        right=half,
        top=top + _HEADING_ROW_MM + title_row,
        bottom=legend_top - marks.legend_height(**kinds) - 1.0,
        title=data.title or "Layout of the lenses",
        description=_described(data),
    )
    if title_row:
        figure.add(Words((-half + 2, figure.top - 5), data.title, 4.2, bold=True))
        figure.add(Words((-half + 2, figure.top - 9.2), data.subtitle, TEXT_MM, colour=marks.GREY))
        for row, words in enumerate(data.warnings, start=1):
            figure.add(_warning(words, (-half + 2, figure.top - 9.2 - _WARNING_ROW_MM * row), 2 * half - 4))
    for each in data.eyes:
        figure.add(Polygon(data.outline_mm(each), None, marks.LENS_FILL))
    for each in data.eyes:
        figure.add(*(Polygon(piece, marks.MISSING, marks.MISSING_FILL, "missing") for piece in missing[each.eye]))
    for each in data.eyes:
        _draw_blank(figure, data, each)
    _draw_datum(figure, data)
    for each in data.eyes:
        _draw_lens(figure, data, each)
    _draw_distances(figure, data)
    for each in data.eyes:
        _draw_centres(figure, data, each)
        _draw_words(figure, each, top=top, bottom=bottom)
        _draw_edge(figure, data, each)
    for each in data.eyes:
        _name_axis(figure, data, each)
    figure.add(Words((0.0, top + 2.2), _VIEW, SMALL_MM, "middle", marks.GREY))
    figure.add(*marks.check_bar(-half + 2, bottom - _BAR_ROW_MM / 2))
    marks.legend(figure, legend_top, **kinds)
    return figure


def _reach(data: LayoutData) -> tuple[float, float, float]:
    """Half the width, the top and the bottom of the part that holds the two lenses."""
    half, top, bottom = _LEAST_WIDTH_MM / 2, 0.0, 0.0
    for each in data.eyes:
        (x, y), radius = data.blank_centre_mm(each), each.blank_diameter_mm / 2
        box = abs(data.boxed_centre_mm(each)[0]) + each.a_mm / 2
        half = max(half, max(abs(x) + radius, box) + _SIDE_MM)
        top, bottom = max(top, y + radius, each.b_mm / 2 + 13), min(bottom, y - radius, -each.b_mm / 2 - 8)
    return half, top, bottom - 1.0


def _draw_blank(figure: Figure, data: LayoutData, each: LayoutEye) -> None:
    centre = data.blank_centre_mm(each)
    figure.add(Disc(centre, each.blank_diameter_mm / 2, marks.RIM, role=f"blank {_NAMES[each.eye].lower()}"))
    if each.usable_diameter_mm is not None:
        figure.add(Disc(centre, each.usable_diameter_mm / 2, marks.USABLE, role="usable"))


def _draw_lens(figure: Figure, data: LayoutData, each: LayoutEye) -> None:
    x, _ = data.boxed_centre_mm(each)
    name = _NAMES[each.eye].lower()
    box = (x - each.a_mm / 2, -each.b_mm / 2, x + each.a_mm / 2, each.b_mm / 2)
    figure.add(marks.rectangle(*box, marks.BOX, "", f"box {name}"))
    figure.add(Polygon(data.outline_mm(each), marks.OUTLINE, role=f"outline {name}"))
    sign = each.eye.nasal_sign
    figure.add(*marks.nasal_mark((x + sign * each.a_mm / 2, 0.0), sign, f"nasal {name}"))
    if each.axis_deg is not None:
        _draw_axis(figure, data, each, each.axis_deg)


def _draw_axis(figure: Figure, data: LayoutData, each: LayoutEye, axis_deg: float) -> None:
    (x, y), reach = data.optical_centre_mm(each), _axis_reach(each)
    cos, sin = math.cos(math.radians(axis_deg)), math.sin(math.radians(axis_deg))
    ends = (x - reach * cos, y - reach * sin), (x + reach * cos, y + reach * sin)
    figure.add(Line(*ends, marks.AXIS, f"axis {_NAMES[each.eye].lower()}"))


def _axis_reach(each: LayoutEye) -> float:
    return each.blank_diameter_mm / 2 - 2


def _name_axis(figure: Figure, data: LayoutData, each: LayoutEye) -> None:
    """The number of the axis beside its line: as far out as no other text stands, the lower end first."""
    if each.axis_deg is None:
        return
    (x, y), turn = data.optical_centre_mm(each), math.radians(each.axis_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    lower = -1.0 if sin > 0.2 else -each.eye.nasal_sign * math.copysign(1.0, cos)
    taken = [shape for shape in figure if isinstance(shape, Words)]
    text = f"{each.axis_deg:g}°"
    aside = 1.4 + abs(sin) * text_width(text, TEXT_MM, bold=True) / 2 + abs(cos) * TEXT_MM / 2
    places = [
        (x + end * far * cos - side * aside * sin, y + end * far * sin + side * aside * cos - 0.35 * TEXT_MM)
        for end in (lower, -lower)
        for far in range(int(_axis_reach(each)) - 2, 6, -1)
        for side in (math.copysign(1.0, -cos), math.copysign(1.0, cos))
    ]
    names = [
        Words(at, text, TEXT_MM, "middle", marks.GREEN, bold=True, halo=marks.PAPER, role="axis-label") for at in places
    ]
    free = (name for name in names if not any(overlap(name, other, spare_mm=0.8) for other in taken))
    figure.add(next(free, names[0]))


def _draw_datum(figure: Figure, data: LayoutData) -> None:
    edges = [data.boxed_centre_mm(each)[0] + side * each.a_mm / 2 for each in data.eyes for side in (-1, 1)]
    figure.add(Line((min(*edges, 0) - 2.5, 0), (max(*edges, 0) + 2.5, 0), marks.DATUM, "datum"))
    deep = max(each.b_mm for each in data.eyes) / 2
    figure.add(Line((0, -deep), (0, deep + 6.5), marks.DATUM, "bridge-middle"))


def _draw_distances(figure: Figure, data: LayoutData) -> None:
    """Boxed sizes below and beside the lenses, centration distances above."""
    high = max(each.b_mm for each in data.eyes) / 2
    low, mono, both = -high - 4.5, high + 5.0, high + 10.5
    for each in data.eyes:
        (x, _), sign = data.boxed_centre_mm(each), each.eye.nasal_sign
        left, right, half_b = x - each.a_mm / 2, x + each.a_mm / 2, each.b_mm / 2
        for edge in (left, right):
            figure.add(Line((edge, -half_b), (edge, low - 1), marks.EXTENSION))
        figure.add(*marks.dimension((left, low), (right, low), f"A {millimetres(each.a_mm)}", "a"))
        temporal = x - sign * each.a_mm / 2
        beside = -sign * max(abs(temporal), abs(data.blank_centre_mm(each)[0]) + each.blank_diameter_mm / 2) - sign * 4
        for y in (-half_b, half_b):
            figure.add(Line((temporal, y), (beside - sign, y), marks.EXTENSION))
        figure.add(*marks.dimension((beside, -half_b), (beside, half_b), f"B {millimetres(each.b_mm)}", "b"))
        point = data.centration_point_mm(each)
        figure.add(
            Line((point[0], point[1] + 2), (point[0], (both if len(data.eyes) == 2 else mono) + 1), marks.EXTENSION)
        )
        distance = millimetres(data.centration_distance_mm(each))
        figure.add(*marks.dimension((point[0], mono), (0, mono), distance, "centration-distance"))
    if len(data.eyes) == 2:
        half = data.dbl_mm / 2
        figure.add(*marks.dimension((-half, low), (half, low), f"DBL {millimetres(data.dbl_mm)}", "dbl"))
        ends = sorted(data.centration_point_mm(each)[0] for each in data.eyes)
        text = f"PD {millimetres(ends[1] - ends[0])}"
        figure.add(*marks.dimension((ends[0], both), (ends[1], both), text, "pd"))


def _draw_centres(figure: Figure, data: LayoutData, each: LayoutEye) -> None:
    """Both centres, and the way from one to the other: along the datum line, then up."""
    box, point = data.boxed_centre_mm(each), data.centration_point_mm(each)
    centre, sign = data.optical_centre_mm(each), each.eye.nasal_sign
    figure.add(Line(box, (point[0], 0), marks.BRACKET, "decentration-in"))
    figure.add(Line((point[0], 0), point, marks.BRACKET, "decentration-up"))
    figure.add(*marks.boxed_centre(box))
    figure.add(*marks.centration_point(point))
    figure.add(*marks.optical_centre(centre))
    inward, upward = decentration(each.in_mm, each.up_mm)
    anchor: Anchor = "end" if sign > 0 else "start"
    for row, text in enumerate((inward, upward)):
        at = (box[0] - sign * 2.5, -4.6 - 3.6 * row)
        figure.add(Words(at, text, TEXT_MM, anchor, marks.RED, bold=True, halo=marks.LENS_FILL, role="decentration"))


def _draw_words(figure: Figure, each: LayoutEye, *, top: float, bottom: float) -> None:
    """The name of the eye above it; its blank in the free corner below."""
    is_right = each.eye is Eye.RIGHT
    anchor: Anchor = "start" if is_right else "end"
    edge = figure.left + 2 if is_right else figure.right - 2
    figure.add(Words((edge, top + 2.2), _NAMES[each.eye], HEADING_MM, anchor, bold=True, role="heading"))
    if each.label:
        inset = text_width(_NAMES[each.eye], HEADING_MM, bold=True) + 3
        room = abs(edge) - inset - text_width(_VIEW, SMALL_MM) / 2 - 2
        size = min(TEXT_MM, TEXT_MM * room / text_width(each.label, TEXT_MM))
        at = (edge + (inset if is_right else -inset), top + 2.2)
        figure.add(Words(at, each.label, size, anchor, role="label"))
    lines = [f"blank Ø {millimetres(each.blank_diameter_mm)}"]
    if each.usable_diameter_mm is not None:
        lines.append(f"usable Ø {millimetres(each.usable_diameter_mm)}")
    if each.shape:
        at, colour = (edge, bottom + 1.5 + len(lines) * 3.4), marks.RED if each.shape_is_assumed else marks.INK
        figure.add(Words(at, each.shape, SMALL_MM, anchor, colour, bold=each.shape_is_assumed, role="shape-label"))
    for row, text in enumerate(reversed(lines)):
        at = (edge, bottom + 1.5 + row * 3.4)
        figure.add(Words(at, text, SMALL_MM, anchor, marks.BLUE, role="blank-label"))


def _draw_edge(figure: Figure, data: LayoutData, each: LayoutEye) -> None:
    """How thick the edge is, outside the outline, where nothing else is written."""
    centre = data.boxed_centre_mm(each)[0]
    for x, y, thickness in each.edge_mm:
        away = math.hypot(x, y) or 1.0
        taken = [shape for shape in figure if isinstance(shape, Words)]
        places = [
            (centre + x * (1 + gap / away), y * (1 + gap / away)) for gap in (_EDGE_GAP_MM, 4.2, -_EDGE_GAP_MM, -4.5)
        ]
        numbers = [marks.edge_number(at, thickness) for at in places]
        free = [number for number in numbers if not any(overlap(number, other, spare_mm=0.4) for other in taken)]
        figure.add(*free[:1])


def _warning(words: str, at: Point, room: float) -> Words:
    size = min(TEXT_MM, TEXT_MM * room / max(text_width(words, TEXT_MM, bold=True), 1.0))
    return Words(at, words, size, colour=marks.RED, bold=True, role="warning")


def _not_covered(data: LayoutData, each: LayoutEye) -> list[tuple[Point, ...]]:
    """The parts of the lens shape that the blank (or its usable part) does not cover."""
    diameter = min(each.blank_diameter_mm, each.usable_diameter_mm or each.blank_diameter_mm)
    blank = ShapelyPoint(data.blank_centre_mm(each)).buffer(diameter / 2, quad_segs=180)
    rest = ShapelyPolygon(data.outline_mm(each)).buffer(0).difference(blank)
    pieces = [piece for piece in shapely.get_parts(rest) if piece.area > _SMALLEST_MISSING_MM2]
    return [tuple((float(x), float(y)) for x, y in piece.exterior.coords[:-1]) for piece in pieces]


def _described(data: LayoutData) -> str:
    parts = ["Both lenses from the front, true to size in millimetres."]
    for each in data.eyes:
        inward, upward = decentration(each.in_mm, each.up_mm)
        parts.append(
            f"{_NAMES[each.eye].capitalize()}: boxed {millimetres(each.a_mm)} by {millimetres(each.b_mm)}, "
            f"optical centre {inward}, {upward}, blank {millimetres(each.blank_diameter_mm)}."
        )
    return " ".join(parts)
