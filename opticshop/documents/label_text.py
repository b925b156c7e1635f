"""Setting the lines of a label into the room that is left: as large as fits, broken between words, at last cut."""

from __future__ import annotations

from collections.abc import Sequence

from . import fonts
from .label_faces import Line

LEADING = 1.22
_SMALLEST_MM = 1.3
#: Sizes tried against those named by the face, the largest first.
_SCALES = (1.6, 1.45, 1.3, 1.15, 1.0, 0.92, 0.85, 0.78, 0.72, 0.66)
#: A line that must be read is made no smaller than this against its neighbours while there is another way.
_LEAST_SHARE = 0.72


class TooLarge(Exception):
    pass


def fitted(lines: Sequence[Line], wide: float, high: float) -> list[Line]:
    """The lines as they are set, in rows of their final size. Raises TooLarge.

    First the largest scale at which nothing is cut; failing that, one row for each line, cut where it is too long.
    """
    for whole in (True, False):
        for scale in _SCALES if whole else _SCALES[4:]:
            rows = [_whole(line, wide, scale) if whole else _cut(line, wide, scale) for line in lines]
            found = [row for block in rows if block for row in block]
            small = any(row.size_mm < _SMALLEST_MM for row in found)
            if all(rows) and not small and height(found) <= high + 1e-6:
                return found
    raise TooLarge("the text does not fit")


def height(lines: Sequence[Line]) -> float:
    return sum(line.size_mm for line in lines) * LEADING


def _whole(line: Line, wide: float, scale: float) -> list[Line]:
    """Empty when the line cannot be set whole at this scale."""
    size = line.size_mm * scale
    share = wide / _width(line.text, size, line)
    if share >= 1.0:
        return [Line(line.text, size, line.bold)]
    if line.must:
        return [Line(line.text, size * share, line.bold)] if share >= _LEAST_SHARE else []
    rows: list[str] = []
    for word in line.text.split():
        longer = f"{rows[-1]} {word}" if rows else word
        if rows and _width(longer, size, line) <= wide:
            rows[-1] = longer
        else:
            rows.append(word)
    if len(rows) > line.rows or any(_width(row, size, line) > wide for row in rows):
        return []
    return [Line(row, size, line.bold) for row in rows]


def _cut(line: Line, wide: float, scale: float) -> list[Line]:
    """One row, cut with an ellipsis; what must be read is made smaller instead, or broken into two halves."""
    size, text = line.size_mm * scale, line.text
    share = min(1.0, wide / _width(text, size, line))
    if line.must and size * share >= _SMALLEST_MM:
        return [Line(text, size * share, line.bold)]
    if line.must:
        half = (len(text) + 1) // 2
        size = min(size, *(size * wide / _width(part, size, line) for part in (text[:half], text[half:])))
        return [Line(text[:half], size, line.bold), Line(text[half:], size, line.bold)]
    while share < 1.0 and text and _width(f"{text}…", size, line) > wide:
        text = text[:-1].rstrip(" ·")
    return [Line(text if share == 1.0 else f"{text}…", size, line.bold)]


def _width(text: str, size: float, line: Line) -> float:
    return fonts.text_width(text, size, bold=line.bold)
