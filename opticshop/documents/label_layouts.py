"""Where labels lie on the paper: A4 sheets of precut labels in a grid, and rolls of one label after another.

The sizes are those that plain label paper is commonly sold in (common practice, no source). The grid is centred on
the sheet; measure your own paper against the sizes given here before printing on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .errors import DocumentError


@dataclass(frozen=True, slots=True)
class LabelLayout:
    """Sizes in mm. ``gap`` is between neighbours, across and down. A roll is a page of one label."""

    key: str
    words: str
    page_mm: tuple[float, float]
    label_mm: tuple[float, float]
    columns: int = 1
    rows: int = 1
    gap_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    @property
    def margins_mm(self) -> tuple[float, float]:
        """Left (as right) and top (as bottom) of the grid."""
        across = self.columns * self.label_mm[0] + (self.columns - 1) * self.gap_mm[0]
        down = self.rows * self.label_mm[1] + (self.rows - 1) * self.gap_mm[1]
        return (self.page_mm[0] - across) / 2, (self.page_mm[1] - down) / 2

    def corner_mm(self, place: int) -> tuple[float, float]:
        """The lower left corner of a place from the lower left of the page; places count from 0, row by row."""
        row, column = divmod(place, self.columns)
        left, top = self.margins_mm
        x = left + column * (self.label_mm[0] + self.gap_mm[0])
        return x, self.page_mm[1] - top - row * (self.label_mm[1] + self.gap_mm[1]) - self.label_mm[1]

    def places(self, start: int) -> Iterator[int]:
        """Places from ``start`` (counted from 1) on the first page, then page after page. Raises DocumentError."""
        if not 1 <= start <= self.per_page:
            raise DocumentError(f"{self.words} has the places 1 to {self.per_page}, not {start}.", field="start")
        place = start - 1
        while True:
            yield place
            place = (place + 1) % self.per_page


_A4 = (210.0, 297.0)

LAYOUTS: dict[str, LabelLayout] = {
    layout.key: layout
    for layout in (
        LabelLayout("a4-2x7", "A4, 2 x 7 labels of 99.1 x 38.1 mm", _A4, (99.1, 38.1), 2, 7, (2.5, 0.0)),
        LabelLayout("a4-3x7", "A4, 3 x 7 labels of 63.5 x 38.1 mm", _A4, (63.5, 38.1), 3, 7, (2.5, 0.0)),
        LabelLayout("a4-3x8", "A4, 3 x 8 labels of 63.5 x 33.9 mm", _A4, (63.5, 33.9), 3, 8, (2.5, 0.0)),
        LabelLayout("a4-4x10", "A4, 4 x 10 labels of 48.5 x 25.4 mm", _A4, (48.5, 25.4), 4, 10),
        LabelLayout("a4-5x13", "A4, 5 x 13 labels of 38.1 x 21.2 mm", _A4, (38.1, 21.2), 5, 13, (2.5, 0.0)),
        LabelLayout("roll-57x32", "roll, one label of 57 x 32 mm", (57.0, 32.0), (57.0, 32.0)),
    )
}
