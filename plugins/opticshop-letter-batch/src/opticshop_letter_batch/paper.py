"""A PDF whose pages are drawn in mm from the top left corner; the same calls give the same bytes."""

from __future__ import annotations

import io
from collections.abc import Iterable

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from . import fonts

LEADING = 1.32
"""Distance of lines as a multiple of the size of the type."""

POINT = 1 / mm
"""One point in mm."""


class Paper:
    """One document of pages of one size."""

    def __init__(self, width: float, height: float, title: str) -> None:
        fonts.register()
        self.width, self.height = width, height
        self._file = io.BytesIO()
        self._canvas = Canvas(self._file, pagesize=(width * mm, height * mm), invariant=1, pageCompression=1)
        self._canvas.setTitle(title)
        self._canvas.setCreator("opticshop-letter-batch")

    def line(self, text: str, left: float, baseline: float, size: float, font: str = fonts.REGULAR) -> None:
        """One line of text, its baseline in mm from the top."""
        self._canvas.setFont(font, size)
        self._canvas.drawString(left * mm, (self.height - baseline) * mm, text)

    def right(self, text: str, right: float, baseline: float, size: float) -> None:
        self._canvas.setFont(fonts.REGULAR, size)
        self._canvas.drawRightString(right * mm, (self.height - baseline) * mm, text)

    def lines(self, texts: Iterable[str], left: float, top: float, size: float, font: str = fonts.REGULAR) -> float:
        """Lines below each other from `top`; where the next would begin."""
        for text in texts:
            self.line(text, left, top + size * POINT, size, font)
            top += size * LEADING * POINT
        return top

    def rule(self, left: float, right: float, y: float, thickness: float = 0.3) -> None:
        self._canvas.setLineWidth(thickness)
        self._canvas.line(left * mm, (self.height - y) * mm, right * mm, (self.height - y) * mm)

    def upright(self, x: float, top: float, bottom: float, thickness: float = 0.3) -> None:
        self._canvas.setLineWidth(thickness)
        self._canvas.line(x * mm, (self.height - top) * mm, x * mm, (self.height - bottom) * mm)

    def grey(self, share: float) -> None:
        """How black what follows is: 0 black, 1 white."""
        self._canvas.setFillGray(share)
        self._canvas.setStrokeGray(share)

    def next_page(self) -> None:
        self._canvas.showPage()

    def done(self) -> bytes:
        self._canvas.save()
        return self._file.getvalue()


def points(length: float) -> float:
    """mm as points."""
    return float(length * mm)
