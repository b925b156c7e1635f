"""Postcards on A6: one side for the address, one for the text. What is on them is read by whoever carries them."""

from __future__ import annotations

from dataclasses import dataclass

from .facts import Item, refused
from .fonts import BOLD
from .paper import LEADING, POINT, Paper, points
from .wrapping import fitted, wrapped

WIDTH, HEIGHT = 148.0, 105.0

ADDRESS_LEFT, ADDRESS_TOP, ADDRESS_BOTTOM, MARGIN = 76.0, 46.0, 88.0, 8.0
"""The right half below the stamp; the lowest 15 mm are the carrier's (common practice, from memory)."""

ADDRESS_SIZES = (10.5, 9.5, 8.5, 7.5, 6.5)
TEXT_SIZES = (12.0, 11.0, 10.0, 9.0, 8.0)
TEXT_TOP, TEXT_BOTTOM = 12.0, 84.0


@dataclass(frozen=True, slots=True)
class Postcard:
    """One postcard, broken into lines."""

    item: Item
    address: list[str]
    address_size: float
    text: list[str]
    text_size: float


def laid_out(item: Item) -> Postcard:
    """Raises `Refusal` for an address or a text that does not fit in any legible size."""
    address = fitted(
        item.address,
        limit=points(WIDTH - MARGIN - ADDRESS_LEFT),
        height=points(ADDRESS_BOTTOM - ADDRESS_TOP),
        sizes=ADDRESS_SIZES,
        leading=LEADING,
    )
    if address is None:
        raise refused("address-too-long", "The address does not fit onto a postcard.", item.id)
    text = fitted(
        item.body,
        limit=points(WIDTH - 2 * MARGIN),
        height=points(TEXT_BOTTOM - TEXT_TOP),
        sizes=TEXT_SIZES,
        leading=LEADING,
    )
    if text is None:
        raise refused("text-too-long", "The text does not fit onto a postcard.", item.id)
    return Postcard(item, *address, *text)


def draw(paper: Paper, card: Postcard) -> None:
    """The address side, then the text side."""
    item = card.item
    paper.grey(0)
    sender = [item.branch_name, *item.branch_lines]
    lines = [line for text in sender if text for line in wrapped(text, points(ADDRESS_LEFT - 6 - MARGIN), 7.5)]
    paper.lines(lines[:10], MARGIN, 12, 7.5)
    paper.grey(0.6)
    paper.upright(ADDRESS_LEFT - 4, 12, HEIGHT - 17)
    paper.line(item.id, MARGIN, HEIGHT - 17, 4.5)
    paper.grey(0)
    paper.lines(card.address, ADDRESS_LEFT, ADDRESS_TOP, card.address_size)
    paper.next_page()
    paper.grey(0)
    paper.lines(card.text, MARGIN, TEXT_TOP, card.text_size)
    foot = [text for text in (item.branch_name, item.branch_phone) if text]
    bottom = HEIGHT - 8 - len(foot) * 9 * LEADING * POINT
    for number, text in enumerate(foot):
        font_lines = wrapped(text, points(WIDTH - 2 * MARGIN), 9, BOLD)[:1]
        bottom = paper.lines(font_lines, MARGIN, bottom, 9, *([BOLD] if number == 0 else []))
    paper.next_page()
