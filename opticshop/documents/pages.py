"""What all papers share: A4, one typeface, a head with the branch, a foot with page numbers.

The bytes depend on the data alone: no clock and no random ids enter the file. Viewers are asked to print without
scaling, so that drawings keep their size.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from html import escape
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Table, TableStyle

from . import fonts
from .letterhead import Letterhead

INK, GREY, RULE, SHADE = HexColor("#111111"), HexColor("#5b6470"), HexColor("#b6bec9"), HexColor("#f2f5f9")
RED = HexColor("#b91c1c")
PAGE_WIDTH, PAGE_HEIGHT = A4
SEPARATOR = " · "
INVENTED_MARK = "invented demo data"


def text(
    words: str,
    size: float = 8.0,
    *,
    bold: bool = False,
    colour: Any = INK,
    right: bool = False,
    lead: str = "",
    after: float = 0.0,
) -> Paragraph:
    """A paragraph of plain words after a bold ``lead``. Markup in it is printed, not obeyed; line breaks are kept."""
    fonts.register()
    style = ParagraphStyle(
        "words",
        fontName=fonts.BOLD if bold else fonts.REGULAR,
        fontSize=size,
        leading=size * 1.28,
        spaceAfter=after,
        textColor=colour,
        alignment=TA_RIGHT if right else TA_LEFT,
    )
    opening = f"<b>{escape(lead)}</b> " if lead else ""
    return Paragraph(opening + escape(words).replace("\n", "<br/>"), style)


def grey(words: str, size: float = 8.0, *, right: bool = False) -> Paragraph:
    return text(words, size, colour=GREY, right=right)


def table(rows: Sequence[Sequence[Any]], widths: Sequence[float], *commands: Any, **options: Any) -> Table:
    """A table with the house padding; ``commands`` are those of the PDF library and come last."""
    made = Table(rows, colWidths=widths, hAlign="LEFT", **options)
    padding = [
        ("LEFTPADDING", (0, 0), (-1, -1), 1.2 * mm),
        ("RIGHTPADDING", (0, 0), (-1, -1), 1.2 * mm),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
    ]
    made.setStyle(TableStyle([*padding, *commands]))
    return made


#: A rule above every row and below the last.
RULED: tuple[tuple[Any, ...], ...] = (
    ("LINEABOVE", (0, 0), (-1, -1), 0.4, RULE),
    ("LINEBELOW", (0, -1), (-1, -1), 0.4, RULE),
    ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
)


def letterhead_block(branch: Letterhead) -> list[Flowable]:
    """The branch as a few short paragraphs."""
    block: list[Flowable] = [text(branch.name, 11, bold=True)]
    if branch.address:
        block.append(grey(branch.address))
    facts = [
        f"Tel. {branch.phone}" if branch.phone else "",
        f"Tax no. {branch.tax_number}" if branch.tax_number else "",
    ]
    if any(facts):
        block.append(grey(SEPARATOR.join(fact for fact in facts if fact)))
    return block


def build_pdf(
    story: Sequence[Flowable],
    *,
    title: str,
    author: str,
    foot: str,
    invented: bool,
    margin_mm: float = 14.0,
    top_mm: float = 14.0,
) -> bytes:
    """Lay the story out on as many A4 pages as it needs. ``foot`` stands at the lower left of every page."""
    fonts.register()
    buffer = io.BytesIO()
    document = BaseDocTemplate(
        buffer,
        pagesize=A4,
        title=title,
        author=author,
        creator="opticshop",
        lang="en",
        invariant=1,
        displayDocTitle=1,
        printScaling="None",
        initialFontName=fonts.REGULAR,
    )
    margin = margin_mm * mm
    frame = Frame(margin, 14 * mm, PAGE_WIDTH - 2 * margin, PAGE_HEIGHT - (14 + top_mm) * mm, 0, 0, 0, 0, id="page")
    document.addPageTemplates([PageTemplate(id="page", frames=[frame])])

    def canvas(*args: Any, **options: Any) -> _CountedCanvas:
        made = _CountedCanvas(*args, **options)
        made.foot, made.invented, made.margin = foot, invented, margin
        return made

    document.build(list(story), canvasmaker=canvas)
    return buffer.getvalue()


class _CountedCanvas(Canvas):  # type: ignore[misc]
    """Keeps every page back until the number of pages is known, then writes the foot of each."""

    foot: str
    invented: bool
    margin: float

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._kept: list[dict[str, Any]] = []

    def showPage(self) -> None:
        self._kept.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        kept = self._kept
        for page in kept:
            self.__dict__.update(page)
            self._draw_foot(len(kept))
            super().showPage()
        super().save()

    def _draw_foot(self, pages: int) -> None:
        self.saveState()
        self.setStrokeColor(RULE)
        self.setLineWidth(0.4)
        self.line(self.margin, 11.5 * mm, PAGE_WIDTH - self.margin, 11.5 * mm)
        self.setFillColor(GREY)
        self.setFont(fonts.REGULAR, 7.5)
        self.drawString(self.margin, 7.5 * mm, self.foot)
        number = f"Page {self._pageNumber} of {pages}"
        self.drawRightString(PAGE_WIDTH - self.margin, 7.5 * mm, number)
        if self.invented:
            self.setFont(fonts.BOLD, 7.5)
            place = PAGE_WIDTH - self.margin - self.stringWidth(number, fonts.REGULAR, 7.5) - 5 * mm
            self.drawRightString(place, 7.5 * mm, INVENTED_MARK)
        self.restoreState()
