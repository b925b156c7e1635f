"""Outlines from a drawing (SVG): one closed path or polygon, or two that say whose they are.

The drawing must state its size in millimetres: ``width`` and ``height`` in mm and a ``viewBox`` to scale by. It is seen
from the front. With two shapes each carries ``id="right"`` or ``id="left"`` (or ``data-eye``). Transformations are not
followed: a shape under one is refused. The XML is read without entities or document types.
"""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element, ParseError

import defusedxml.ElementTree as Safe
import numpy as np
from defusedxml.common import DefusedXmlException
from svg.path import Arc, Close, CubicBezier, Line, Move, QuadraticBezier, parse_path

from opticshop.optics.eyes import Eye

from .errors import TraceError
from .records import LARGEST_FILE_BYTES
from .shapes import MOST_POINTS, Note, Shape, Trace, lens_shape, outline_of_points

_EYES = {"right": Eye.RIGHT, "left": Eye.LEFT}
_NUMBER = r"[+-]?(?:\d{1,9}(?:\.\d{0,9})?|\.\d{1,9})(?:[eE][+-]?\d{1,2})?"
_LENGTH_MM = re.compile(rf"({_NUMBER})\s*mm")
_NUMBERS = re.compile(rf"\s*{_NUMBER}(?:[\s,]+{_NUMBER})*\s*")
_PATH = re.compile(r"[MmZzLlHhVvCcSsQqTtAaeE0-9+\-.,\s]*")
_MOST_ELEMENTS, _LONGEST_PATH = 5_000, 200_000
#: Pieces a curve is cut into: on an arc of a quarter of a 60 mm circle the chord stays within 0.005 mm of it.
_PIECES = 64
#: Two scales that differ by less are the same scale.
_SAME_SCALE = 0.001


def read_svg_outlines(content: bytes, *, eye: Eye = Eye.RIGHT) -> Trace:
    """The outlines in the drawing; ``eye`` is whose outline a single shape is unless it says so. Raises TraceError."""
    if len(content) > LARGEST_FILE_BYTES:
        raise TraceError(f"the file has {len(content)} bytes; at most {LARGEST_FILE_BYTES} are read")
    try:
        root = Safe.fromstring(content, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    except ParseError as error:
        raise TraceError(f"not well-formed XML: {error}", line=_line(error)) from error
    except DefusedXmlException as error:
        raise TraceError("document types and entities are not accepted in a drawing") from error
    except (ValueError, LookupError, RecursionError) as error:
        raise TraceError(f"not readable as XML: {error}") from error
    if _name(root) != "svg":
        raise TraceError(f"the root element is {_name(root)[:40]}, not svg")
    scale, found = _scale(root), _drawn(root)
    if not found:
        raise TraceError("there is no path and no polygon in this drawing")
    if len(found) > 2:
        raise TraceError(f"there are {len(found)} shapes; one outline, or the right and the left one, are read")
    shapes: dict[Eye, Shape] = {}
    notes: list[Note] = []
    for element in found:
        side = _side(element, eye, alone=len(found) == 1)
        if side in shapes:
            raise TraceError("both shapes are of the same eye", label=_label(element))
        outline = outline_of_points(_points(element) * np.array([scale, -scale]), label=_label(element))
        shapes[side], more = lens_shape(side, outline, label=_label(element))
        notes += more
    return Trace(shapes, notes=tuple(notes))


def _scale(root: Element) -> float:
    """Millimetres a unit of the drawing."""
    sizes = []
    for name in ("width", "height"):
        found = _LENGTH_MM.fullmatch(root.get(name, "").strip())
        if found is None or float(found[1]) <= 0:
            raise TraceError("the drawing must state its width and height in mm", label=f"svg {name}")
        sizes.append(float(found[1]))
    box = _numbers(root.get("viewBox", ""), "svg viewBox")
    if len(box) != 4 or box[2] <= 0 or box[3] <= 0:
        raise TraceError("a viewBox of four numbers is needed to scale by", label="svg viewBox")
    across, down = sizes[0] / box[2], sizes[1] / box[3]
    if abs(across - down) > _SAME_SCALE * across:
        raise TraceError("width and height scale the viewBox differently", label="svg viewBox")
    return across


def _drawn(root: Element) -> list[Element]:
    found, pending, seen = [], [(root, False)], 0
    while pending:
        element, is_moved = pending.pop(0)
        seen += 1
        if seen > _MOST_ELEMENTS:
            raise TraceError(f"the drawing has more than {_MOST_ELEMENTS} elements")
        if _name(element) in {"defs", "symbol", "clipPath", "mask", "marker", "pattern"}:
            continue
        is_moved = is_moved or bool(element.get("transform"))
        if _name(element) in {"path", "polygon"}:
            if is_moved:
                raise TraceError("a shape under a transformation is not read; apply it first", label=_label(element))
            found.append(element)
        pending += [(child, is_moved or (_name(element) == "svg" and element is not root)) for child in element]
    return found


def _side(element: Element, eye: Eye, *, alone: bool) -> Eye:
    said = (element.get("data-eye") or element.get("id") or "").strip().lower()
    if said in _EYES:
        return _EYES[said]
    if alone:
        return eye
    raise TraceError('with two shapes each needs id="right" or id="left"', label=_label(element))


def _points(element: Element) -> np.ndarray:
    label = _label(element)
    if _name(element) == "polygon":
        numbers = _numbers(element.get("points", ""), label)
        if len(numbers) % 2 or len(numbers) > 2 * MOST_POINTS:
            raise TraceError(f"a polygon has pairs of numbers, at most {MOST_POINTS}", label=label)
        return np.array(numbers, dtype=np.float64).reshape(-1, 2)
    return _path_points(element.get("d", ""), label)


def _path_points(text: str, label: str) -> np.ndarray:
    if len(text) > _LONGEST_PATH or not _PATH.fullmatch(text):
        raise TraceError("the path holds too much, or something that is no path command or number", label=label)
    try:
        segments = list(parse_path(text))
    except (ValueError, TypeError, IndexError, AssertionError, OverflowError, ZeroDivisionError) as error:
        raise TraceError(f"the path cannot be read: {str(error)[:120]}", label=label) from error
    starts = [place for place, segment in enumerate(segments) if isinstance(segment, Move)]
    if starts != [0] or any(isinstance(segment, Close) for segment in segments[:-1]):
        raise TraceError("the path must be one closed line without gaps", label=label)
    points: list[complex] = [segments[0].end]
    for segment in segments[1:]:
        points += _along(segment, label)
        if len(points) > MOST_POINTS:
            raise TraceError(f"the path has more than {MOST_POINTS} points", label=label)
    is_closed = isinstance(segments[-1], Close) or abs(points[-1] - points[0]) < 1e-6 * (1 + abs(points[0]))
    if not is_closed:
        raise TraceError("the path is not closed", label=label)
    found = np.array([(point.real, point.imag) for point in points], dtype=np.float64)
    if not np.isfinite(found).all() or np.abs(found).max(initial=0) > 1e6:
        raise TraceError("the path runs out of all bounds", label=label)
    return found


def _along(segment: object, label: str) -> list[complex]:
    if isinstance(segment, Line | Close):
        return [segment.end]
    if isinstance(segment, CubicBezier | QuadraticBezier | Arc):
        try:
            return [complex(segment.point(step / _PIECES)) for step in range(1, _PIECES + 1)]
        except (ValueError, ZeroDivisionError, OverflowError, AttributeError) as error:
            raise TraceError("a curve of the path cannot be followed", label=label) from error
    raise TraceError("the path must be one closed line without gaps", label=label)


def _numbers(text: str, label: str) -> list[float]:
    if not _NUMBERS.fullmatch(text):
        raise TraceError("a list of numbers is expected", label=label)
    return [float(number) for number in re.findall(_NUMBER, text)]


def _name(element: Element) -> str:
    """The local name; comments and the like have none."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def _label(element: Element) -> str:
    said = element.get("id", "")[:40]
    return f"{_name(element)} {said}".strip()


def _line(error: ParseError) -> int | None:
    place = getattr(error, "position", None)
    return int(place[0]) if place else None
