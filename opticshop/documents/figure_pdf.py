"""A figure drawn on a PDF page at true size."""

from __future__ import annotations

from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from . import fonts
from .figures import Disc, Figure, Line, Pen, Polygon, Words


class FigureBox(Flowable):  # type: ignore[misc]
    """A figure in the flow of a page, centred, one millimetre of the figure on one millimetre of paper."""

    def __init__(self, figure: Figure) -> None:
        super().__init__()
        self.figure = figure
        self.width, self.height = figure.width_mm * mm, figure.height_mm * mm
        self.hAlign = "CENTER"

    def draw(self) -> None:
        self.canv.saveState()
        self.canv.scale(mm, mm)
        self.canv.translate(-self.figure.left, -self.figure.bottom)
        draw_figure(self.canv, self.figure)
        self.canv.restoreState()


def draw_figure(canvas: Any, figure: Figure) -> None:
    """Draw the shapes on a canvas whose unit is the millimetre and whose origin is that of the figure."""
    fonts.register()
    for shape in figure:
        match shape:
            case Line():
                _use(canvas, shape.pen)
                canvas.line(*shape.start, *shape.end)
            case Polygon():
                _polygon(canvas, shape)
            case Disc():
                _use(canvas, shape.pen)
                _fill(canvas, shape.fill)
                canvas.circle(*shape.centre, shape.radius_mm, stroke=shape.pen is not None, fill=bool(shape.fill))
            case Words():
                _words(canvas, shape)


def _polygon(canvas: Any, polygon: Polygon) -> None:
    _use(canvas, polygon.pen)
    _fill(canvas, polygon.fill)
    path = canvas.beginPath()
    path.moveTo(*polygon.points[0])
    for point in polygon.points[1:]:
        path.lineTo(*point)
    path.close()
    canvas.drawPath(path, stroke=polygon.pen is not None, fill=bool(polygon.fill))


def _words(canvas: Any, words: Words) -> None:
    font = fonts.BOLD if words.bold else fonts.REGULAR
    width = fonts.text_width(words.text, words.size_mm, bold=words.bold)
    start = {"start": 0.0, "middle": -width / 2, "end": -width}[words.anchor]
    canvas.saveState()
    canvas.translate(*words.at)
    canvas.rotate(words.turn_deg)
    if words.halo:
        canvas.setFillColor(HexColor(words.halo))
        canvas.rect(start - 0.4, -0.3 * words.size_mm, width + 0.8, 1.15 * words.size_mm, stroke=0, fill=1)
    canvas.setFillColor(HexColor(words.colour))
    canvas.setFont(font, words.size_mm)
    canvas.drawString(start, 0, words.text)
    canvas.restoreState()


def _use(canvas: Any, pen: Pen | None) -> None:
    if pen is None:
        return
    canvas.setStrokeColor(HexColor(pen.colour))
    canvas.setLineWidth(pen.width_mm)
    canvas.setDash(list(pen.dash_mm)) if pen.dash_mm else canvas.setDash()


def _fill(canvas: Any, colour: str) -> None:
    if colour:
        canvas.setFillColor(HexColor(colour))
