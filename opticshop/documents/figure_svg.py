"""A figure as SVG at true size: width and height in mm, one unit of the view box is one millimetre."""

from __future__ import annotations

from xml.etree import ElementTree as ET

from .figures import Disc, Figure, Line, Pen, Polygon, Words
from .fonts import SVG_FAMILY

_HALO_MM = 0.9


def to_svg(figure: Figure) -> str:
    """The figure as an SVG document. y is turned over: SVG counts downward. Colours are those of the figure."""
    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{_number(figure.width_mm)}mm",
            "height": f"{_number(figure.height_mm)}mm",
            "viewBox": f"{_number(figure.left)} {_number(-figure.top)} {_number(figure.width_mm)} "
            f"{_number(figure.height_mm)}",
            "font-family": SVG_FAMILY,
            "role": "img",
        },
    )
    ET.SubElement(root, "title").text = figure.title
    ET.SubElement(root, "desc").text = figure.description
    paper = {"x": _number(figure.left), "y": _number(-figure.top), "fill": "#ffffff"}
    ET.SubElement(root, "rect", paper | {"width": _number(figure.width_mm), "height": _number(figure.height_mm)})
    for shape in figure:
        match shape:
            case Line():
                _line(root, shape)
            case Polygon():
                _polygon(root, shape)
            case Disc():
                _disc(root, shape)
            case Words():
                _words(root, shape)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode") + "\n"


def _line(root: ET.Element, line: Line) -> None:
    (x1, y1), (x2, y2) = line.start, line.end
    place = {"x1": _number(x1), "y1": _number(-y1), "x2": _number(x2), "y2": _number(-y2)}
    ET.SubElement(root, "line", place | _pen(line.pen) | _role(line.role))


def _polygon(root: ET.Element, polygon: Polygon) -> None:
    points = " ".join(f"{_number(x)},{_number(-y)}" for x, y in polygon.points)
    ET.SubElement(
        root, "polygon", {"points": points} | _pen(polygon.pen) | {"fill": polygon.fill or "none"} | _role(polygon.role)
    )


def _disc(root: ET.Element, disc: Disc) -> None:
    place = {"cx": _number(disc.centre[0]), "cy": _number(-disc.centre[1]), "r": _number(disc.radius_mm)}
    ET.SubElement(root, "circle", place | _pen(disc.pen) | {"fill": disc.fill or "none"} | _role(disc.role))


def _words(root: ET.Element, words: Words) -> None:
    x, y = _number(words.at[0]), _number(-words.at[1])
    style = {"x": x, "y": y, "font-size": _number(words.size_mm), "text-anchor": words.anchor, "fill": words.colour}
    if words.bold:
        style["font-weight"] = "bold"
    if words.turn_deg:
        style["transform"] = f"rotate({_number(-words.turn_deg)} {x} {y})"
    if words.halo:
        style |= {"stroke": words.halo, "stroke-width": _number(_HALO_MM), "stroke-linejoin": "round"}
        style["paint-order"] = "stroke"
    ET.SubElement(root, "text", style | _role(words.role)).text = words.text


def _pen(pen: Pen | None) -> dict[str, str]:
    if pen is None:
        return {"stroke": "none"}
    style = {"stroke": pen.colour, "stroke-width": _number(pen.width_mm)}
    if pen.dash_mm:
        style["stroke-dasharray"] = " ".join(_number(length) for length in pen.dash_mm)
    return style


def _role(role: str) -> dict[str, str]:
    return {"class": role} if role else {}


def _number(value: float) -> str:
    """At most a tenth of a micrometre, without trailing zeros or a negative zero."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
