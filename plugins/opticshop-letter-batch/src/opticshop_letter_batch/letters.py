"""Letters on A4 for window envelopes."""

from __future__ import annotations

from dataclasses import dataclass

from .facts import Item, refused
from .fonts import BOLD
from .paper import LEADING, POINT, Paper, points
from .windows import Window
from .wrapping import fitted, wrapped

LEFT, RIGHT, BOTTOM = 25.0, 190.0, 275.0
"""Margins of the text, in mm."""

BODY_TOP, NEXT_TOP = 106.0, 25.0
"""Where the text begins on the first and on each further page, below the first fold."""

BLOCK_LEFT, BLOCK_TOP = 128.0, 44.0
"""The block of the branch: right of every window."""

TYPE, SUBJECT_TYPE, SMALL = 10.5, 11.5, 6.5
ADDRESS_SIZES = (10.5, 9.5, 8.5, 7.5, 6.5)
RETURN_SIZES = (6.5, 6.0, 5.5, 5.0)
ADDRESS_LEADING = 1.25


@dataclass(frozen=True, slots=True)
class Letter:
    """One letter, broken into lines and pages."""

    item: Item
    address: list[str]
    address_size: float
    address_top: float
    subject: list[str]
    pages: list[list[str]]


def laid_out(item: Item, window: Window) -> Letter:
    """Raises `Refusal` for an address that does not fit into the window in any legible size."""
    fit = _address(item, window)
    subject = wrapped(item.subject, points(RIGHT - LEFT), SUBJECT_TYPE, BOLD) if item.subject else []
    taken = (len(subject) * SUBJECT_TYPE + TYPE) * LEADING * POINT if subject else 0.0
    lines = wrapped(item.body, points(RIGHT - LEFT), TYPE)
    pages, room = list[list[str]](), _room(BOTTOM - BODY_TOP - taken)
    while lines or not pages:
        pages.append(lines[:room])
        lines = lines[room:]
        while lines and not lines[0]:
            lines = lines[1:]
        room = _room(BOTTOM - NEXT_TOP)
    return Letter(item, *fit, subject, pages)


def _address(item: Item, window: Window) -> tuple[list[str], float, float]:
    """Lines, size and top; one that is very long takes the place of the return line."""
    for top in (window.top, window.visible[1] + 0.5):
        fit = fitted(
            item.address,
            limit=points(window.width),
            height=points(window.height(top)),
            sizes=ADDRESS_SIZES,
            leading=ADDRESS_LEADING,
        )
        if fit is not None:
            return *fit, top
    raise refused("address-too-long", "The address does not fit into the window.", item.id)


def _room(height: float) -> int:
    """How many lines of text go into `height`."""
    return max(1, int(height / (TYPE * LEADING * POINT)))


def draw(paper: Paper, letter: Letter, window: Window) -> None:
    """All pages of the letter."""
    item, count = letter.item, len(letter.pages)
    for number, lines in enumerate(letter.pages, start=1):
        if number == 1:
            _head(paper, letter, window)
            top = paper.lines(letter.subject, LEFT, BODY_TOP, SUBJECT_TYPE, BOLD)
            top += TYPE * LEADING * POINT if letter.subject else 0.0
        else:
            top = NEXT_TOP
        paper.lines(lines, LEFT, top, TYPE)
        paper.grey(0.35)
        paper.line(item.id, LEFT, 287, SMALL - 1)
        if count > 1:
            paper.right(f"{number}/{count}", RIGHT, 287, SMALL + 1.5)
        paper.next_page()


def _head(paper: Paper, letter: Letter, window: Window) -> None:
    item = letter.item
    paper.grey(0.5)
    for fold in window.folds:
        paper.rule(4, 8, fold)
    if window.hole is not None:
        paper.rule(4, 10, window.hole)
    paper.grey(0)
    sender = fitted(item.return_line, limit=points(window.width), height=points(2.6), sizes=RETURN_SIZES, leading=1)
    if sender is not None and len(sender[0]) == 1 and letter.address_top == window.top:
        [line], size = sender
        paper.line(line, window.left, window.return_line - 0.8, size)
        paper.rule(window.left, window.left + window.width, window.return_line, 0.2)
    _spaced(paper, letter.address, window.left, letter.address_top, letter.address_size)
    head = wrapped(item.branch_name, points(BLOCK_LEFT - LEFT - 6), 15, BOLD)[:2] if item.branch_name else []
    paper.lines(head, LEFT, 18, 15, BOLD)
    block = [*item.branch_lines, item.branch_phone]
    lines = [line for text in block if text for line in wrapped(text, points(RIGHT - BLOCK_LEFT), 9)]
    paper.lines(lines[:12], BLOCK_LEFT, BLOCK_TOP, 9)


def _spaced(paper: Paper, lines: list[str], left: float, top: float, size: float) -> None:
    """The lines of the address, closer than those of the text."""
    for line in lines:
        paper.line(line, left, top + size * POINT, size)
        top += size * ADDRESS_LEADING * POINT
