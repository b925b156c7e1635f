"""Reading printed labels back: the PDF as a printer of 203 dpi would put it on paper, then a barcode reader."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pypdfium2
import zxingcpp

DPI = 203


@dataclass(frozen=True)
class Read:
    """``box`` is (left, top, right, bottom) of the symbol in mm from the upper left of the page."""

    page: int
    identifier: str
    text: str
    box: tuple[float, float, float, float]


def pictures(pdf: bytes, dpi: float = DPI) -> list[np.ndarray]:
    """The pages in grey, at true size."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [page.render(scale=dpi / 72, grayscale=True).to_numpy().squeeze().copy() for page in document]
    finally:
        document.close()


def read_back(pdf: bytes) -> list[Read]:
    """Every code on every page, page by page from the top, each row from the left."""
    found = []
    for page, picture in enumerate(pictures(pdf)):
        for code in zxingcpp.read_barcodes(picture, text_mode=zxingcpp.TextMode.Plain):
            place = code.position
            corners = [place.top_left, place.top_right, place.bottom_left, place.bottom_right]
            xs, ys = [c.x * 25.4 / DPI for c in corners], [c.y * 25.4 / DPI for c in corners]
            found.append(Read(page, code.symbology_identifier, code.text, (min(xs), min(ys), max(xs), max(ys))))
    return sorted(found, key=lambda read: (read.page, round(read.box[1] / 15), read.box[0]))
