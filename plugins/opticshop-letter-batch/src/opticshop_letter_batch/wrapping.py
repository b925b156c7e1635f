"""Text in lines of a width."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from .fonts import REGULAR, width


def wrapped(text: str, limit: float, size: float, font: str = REGULAR) -> list[str]:
    """Lines no wider than `limit` points: broken at spaces, and within a word only where it is too wide alone."""
    return [line for paragraph in text.split("\n") for line in _paragraph(paragraph, limit, size, font)]


def _paragraph(paragraph: str, limit: float, size: float, font: str) -> Iterator[str]:
    line = ""
    for word in paragraph.split(" "):
        longer = f"{line} {word}" if line else word
        if width(longer, size, font) <= limit:
            line = longer
            continue
        if line:
            yield line
        *whole, line = _pieces(word, limit, size, font)
        yield from whole
    yield line


def _pieces(word: str, limit: float, size: float, font: str) -> list[str]:
    pieces, piece = [], ""
    for letter in word:
        if piece and width(piece + letter, size, font) > limit:
            pieces.append(piece)
            piece = ""
        piece += letter
    return [*pieces, piece]


def fitted(
    text: str, *, limit: float, height: float, sizes: Sequence[float], leading: float
) -> tuple[list[str], float] | None:
    """The lines and the largest of `sizes` at which they fit; None where not even the smallest does."""
    for size in sizes:
        lines = wrapped(text, limit, size)
        if len(lines) * size * leading <= height:
            return lines, size
    return None
