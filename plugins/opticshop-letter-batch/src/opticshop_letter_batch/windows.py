"""Where the address must stand so that it shows in the window of the envelope, wherever the letter slides to.

All lengths in mm, from the top left corner of A4. The envelope is larger than the folded letter; what always shows is
where the window meets itself at both ends of the play.
"""

from __future__ import annotations

from dataclasses import dataclass

A4_WIDTH, A4_HEIGHT = 210.0, 297.0


@dataclass(frozen=True, slots=True)
class Window:
    """`visible` is left, top, right, bottom of what always shows; `folds` are measured from the top of the page."""

    key: str
    title: str
    visible: tuple[float, float, float, float]
    left: float
    return_line: float
    top: float
    folds: tuple[float, ...]
    hole: float | None
    source: str
    confidence: str

    @property
    def width(self) -> float:
        return self.visible[2] - self.left

    def height(self, top: float) -> float:
        return self.visible[3] - top


def _always_visible(
    *, envelope: tuple[float, float], window: tuple[float, float, float, float], panel: float
) -> tuple[float, float, float, float]:
    """`window`: from the left and from the bottom of the envelope, width, height; `panel`: the top fold of the page."""
    from_left, from_bottom, width, height = window
    slide_x, slide_y = envelope[0] - A4_WIDTH, envelope[1] - panel
    bottom = panel - from_bottom
    return (from_left, bottom - height + slide_y, from_left + width - slide_x, bottom)


WINDOWS = {
    one.key: one
    for one in (
        Window(
            key="din-5008-b",
            title="DL, window 45 x 90 mm (DIN 5008 form B)",
            visible=_always_visible(envelope=(220, 110), window=(20, 15, 90, 45), panel=105),
            left=25,
            return_line=61.5,
            top=63,
            folds=(105, 210),
            hole=148.5,
            source="DIN 5008 form B: address field 45 to 90 mm from the top, folds at 105 and 210 mm; DIN 680 window",
            confidence="high, from memory",
        ),
        Window(
            key="uk-dl",
            title="DL, window 35 x 90 mm, 20 mm from the left and 18 mm from the bottom",
            visible=_always_visible(envelope=(220, 110), window=(20, 18, 90, 35), panel=99),
            left=25,
            return_line=59.5,
            top=60.5,
            folds=(99, 198),
            hole=None,
            source="common British window envelopes (BS 4264)",
            confidence="medium, from memory: measure yours and print one letter first",
        ),
    )
}
