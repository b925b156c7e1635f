"""Sheets of labels as PDF, drawn as vectors at true size.

Modules are whole dots of a printer with 8 dots a millimetre (203 dpi) wherever the label has room, and the corner of
every symbol lies on such a dot, so that label printers need not round. The bytes depend on the labels alone.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import pairwise

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from . import fonts
from .errors import DocumentError
from .label_codes import Symbol
from .label_faces import Label, Line
from .label_layouts import LAYOUTS, LabelLayout
from .label_text import LEADING, TooLarge, fitted, height

__all__ = ["LAYOUTS", "labels_pdf"]

_DOT_MM = 0.125
#: Largest to smallest; below the last one readers at a counter fail. EAN goes down to 0.264 mm (80 % of its nominal
#: size, GS1 General Specifications; from memory), the others to two dots.
_SQUARE_MODULES_MM = (0.75, 0.625, 0.5, 0.375, 0.25)
_LINEAR_MODULES_MM = (0.375, 0.33, 0.3, 0.264, 0.25)
_EAN_MODULES_MM = (0.375, 0.33, 0.3, 0.264)
#: Share of the width that a square symbol may take: more than the first only while its modules are small.
_SYMBOL_SHARE = {True: 0.3, False: 0.42}
_GAP_MM = 1.0
_BAR_HEIGHTS_MM = (13.0, 10.0, 8.0, 6.5)
_HUMAN_MM = 2.4


def labels_pdf(labels: Sequence[Label], layout: LabelLayout, *, start: int = 1, title: str = "Labels") -> bytes:
    """The labels from the place ``start`` on (counted from 1, row by row), on as many sheets as it takes.

    Raises DocumentError when there is none, when there is no such place, or when one does not fit this size.
    """
    if not labels:
        raise DocumentError("There is nothing to print.", field="labels")
    fonts.register()
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=tuple(side * mm for side in layout.page_mm), invariant=1)
    canvas.setTitle(title)
    canvas.setCreator("opticshop")
    canvas.setViewerPreference("PrintScaling", "None")
    places = layout.places(start)
    previous = -1
    for label, place in zip(labels, places, strict=False):
        if place <= previous:
            canvas.showPage()
        previous = place
        _draw(canvas, label, layout, layout.corner_mm(place))
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _draw(canvas: Canvas, label: Label, layout: LabelLayout, corner: tuple[float, float]) -> None:
    wide, high = layout.label_mm
    canvas.saveState()
    canvas.translate(corner[0] * mm, corner[1] * mm)
    canvas.scale(mm, mm)
    try:
        if label.symbol.is_linear:
            _draw_over_linear(canvas, label, wide, high, corner)
        else:
            _draw_beside_square(canvas, label, wide, high, corner)
    except TooLarge as error:
        raise DocumentError(f"{label.lines[0].text}: {error} on {layout.words}.", field="layout") from error
    canvas.restoreState()


def _draw_beside_square(canvas: Canvas, label: Label, wide: float, high: float, corner: tuple[float, float]) -> None:
    """The symbol on the left in mid-height, the text to its right."""
    symbol, margin = label.symbol, _margin(wide)
    room = high - 2 * margin
    module = next(
        (
            size
            for size in _SQUARE_MODULES_MM
            if symbol.modules_wide * size <= _SYMBOL_SHARE[size > 0.5] * wide and symbol.modules_high * size <= room
        ),
        None,
    )
    if module is None:
        raise TooLarge("the code does not fit")
    across, down = symbol.modules_wide * module, symbol.modules_high * module
    left, bottom = _on_dots(margin, (high - down) / 2, corner)
    _draw_square(canvas, symbol, left, bottom, module)
    beside = left + across + _GAP_MM
    lines = fitted(label.lines, wide - margin - beside, room)
    _draw_lines(canvas, lines, beside, (high + height(lines)) / 2)


def _draw_over_linear(canvas: Canvas, label: Label, wide: float, high: float, corner: tuple[float, float]) -> None:
    """The symbol along the foot with its digits under it, the text above."""
    symbol = label.symbol
    margin = _margin(wide)
    sizes = _EAN_MODULES_MM if symbol.guards else _LINEAR_MODULES_MM
    module = next((size for size in sizes if symbol.modules_wide * size <= wide - 1.0), None)
    if module is None:
        raise TooLarge("the code does not fit")
    room = wide - 2 * margin
    foot = _HUMAN_MM * 1.1
    for bars in _BAR_HEIGHTS_MM:
        try:
            lines = fitted(label.lines, room, high - 2 * margin - foot - bars - 0.6)
        except TooLarge:
            if bars == _BAR_HEIGHTS_MM[-1]:
                raise
        else:
            if lines[0].size_mm >= label.lines[0].size_mm or bars == _BAR_HEIGHTS_MM[-1]:
                break
    _draw_lines(canvas, lines, margin, high - margin)
    left, bottom = _on_dots((wide - symbol.modules_wide * module) / 2, margin + foot, corner)
    left += symbol.quiet[0] * module
    _draw_bars(canvas, symbol, left, bottom, bars, module)


def _margin(wide: float) -> float:
    """Paper shifts in the printer: what must be seen keeps off the edge, less on a small label."""
    return 2.5 if wide > 50 else 1.5


def _on_dots(x: float, y: float, corner: tuple[float, float]) -> tuple[float, float]:
    """The point moved to the nearest dot of the page, as seen from the corner of the label."""
    return tuple(  # type: ignore[return-value]
        round((value + base) / _DOT_MM) * _DOT_MM - base for value, base in zip((x, y), corner, strict=True)
    )


def _draw_square(canvas: Canvas, symbol: Symbol, left: float, bottom: float, module: float) -> None:
    canvas.setFillGray(0)
    top = bottom + (symbol.modules_high - symbol.quiet[2]) * module
    for down, row in enumerate(symbol.rows):
        for start, length in _runs(row):
            x, y = left + (symbol.quiet[0] + start) * module, top - (down + 1) * module
            canvas.rect(x, y, length * module, module, stroke=0, fill=1)


def _draw_bars(canvas: Canvas, symbol: Symbol, left: float, bottom: float, bars: float, module: float) -> None:
    canvas.setFillGray(0)
    (row,) = symbol.rows
    for start, length in _runs(row):
        below = 5 * module if start in symbol.guards else 0.0
        canvas.rect(left + start * module, bottom - below, length * module, bars + below, stroke=0, fill=1)
    base = bottom - 0.9 * _HUMAN_MM
    if symbol.guards:
        _draw_ean_digits(canvas, symbol, left, base, module)
        return
    text = " ".join(symbol.human)
    size = min(_HUMAN_MM, _HUMAN_MM * len(row) * module / fonts.text_width(text, _HUMAN_MM))
    canvas.setFont(fonts.REGULAR, size)
    canvas.drawCentredString(left + len(row) * module / 2, base, text)


def _draw_ean_digits(canvas: Canvas, symbol: Symbol, left: float, base: float, module: float) -> None:
    """Each digit under its seven modules; the first of thirteen stands in the quiet zone, as it has none."""
    (text,) = symbol.human
    half = len(text) // 2
    size = min(_HUMAN_MM, 6.6 * module / fonts.text_width("0", 1.0))
    canvas.setFont(fonts.REGULAR, size)
    if len(text) == 13:
        canvas.drawRightString(left - 2.5 * module, base, text[0])
        text = text[1:]
    for place, digit in enumerate(text):
        middle = 3 + 7 * place + 3.5 + (5 if place >= half else 0)
        canvas.drawCentredString(left + middle * module, base, digit)


def _runs(row: bytes) -> list[tuple[int, int]]:
    """(start, length) of each run of dark modules: one rectangle a run leaves no hairlines between modules."""
    edges = [place for place, (one, two) in enumerate(pairwise(b"\0" + row + b"\0")) if one != two]
    return [(start, end - start) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _draw_lines(canvas: Canvas, lines: Sequence[Line], left: float, top: float) -> None:
    canvas.setFillGray(0)
    for line in lines:
        top -= line.size_mm * LEADING
        canvas.setFont(fonts.BOLD if line.bold else fonts.REGULAR, line.size_mm)
        canvas.drawString(left, top + 0.24 * line.size_mm, line.text)
