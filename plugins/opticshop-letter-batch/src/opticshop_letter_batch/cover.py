"""The sheet in front: how much there is, and which message begins on which page. No names, and not what it is about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .fonts import BOLD
from .paper import LEADING, POINT, Paper


@dataclass(frozen=True, slots=True)
class Place:
    """A message, the page of the file that it begins on, and how many it takes."""

    id: str
    first: int
    pages: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """What the cover says; `totals` are lines of a word and a number."""

    title: str
    branches: Sequence[str]
    totals: Sequence[tuple[str, int]]
    places: Sequence[Place]


@dataclass(frozen=True, slots=True)
class Grid:
    """How the list stands on the page: columns of rows, in mm and points."""

    left: float
    column: float
    columns: int
    size: float
    first_top: float
    next_top: float
    bottom: float

    def rows(self, first: bool) -> int:
        top = self.first_top if first else self.next_top
        return int((self.bottom - top) / (self.size * LEADING * POINT))


A4 = Grid(left=20, column=58, columns=3, size=6.5, first_top=98, next_top=20, bottom=282)
A6 = Grid(left=8, column=68, columns=2, size=6, first_top=64, next_top=8, bottom=97)


_NUMBER = 8.0
"""Width of the page numbers, in mm."""


def pages(places: Sequence[Place], grid: Grid) -> list[Sequence[Place]]:
    """The list cut into pages."""
    cut, at = list[Sequence[Place]](), 0
    while at < len(places) or not cut:
        room = grid.rows(not cut) * grid.columns
        cut.append(places[at : at + room])
        at += room
    return cut


def count(messages: int, grid: Grid) -> int:
    """How many pages the cover of so many messages has."""
    first, further = (grid.rows(one) * grid.columns for one in (True, False))
    return 1 + max(0, -(-(messages - first) // further))


def draw(paper: Paper, cover: Cover, grid: Grid, *, unit: float) -> None:
    """`unit` is the size of the type of the totals."""
    cut = pages(cover.places, grid)
    for number, places in enumerate(cut, start=1):
        paper.grey(0)
        top = grid.next_top
        if number == 1:
            top = paper.lines([cover.title], grid.left, grid.next_top, unit * 1.7, BOLD) + 1
            top = paper.lines(cover.branches, grid.left, top, unit) + 1
            for word, number_of in cover.totals:
                paper.line(word, grid.left, top + unit * POINT, unit)
                paper.right(f"{number_of}", grid.left + unit * 5.2, top + unit * POINT, unit)
                top += unit * LEADING * POINT
            paper.line("Begins on page, message", grid.left, grid.first_top - 2, grid.size, BOLD)
            top = grid.first_top
        rows = grid.rows(number == 1)
        for column in range(grid.columns):
            left = grid.left + column * grid.column
            own = places[column * rows : (column + 1) * rows]
            for line, place in enumerate(own):
                baseline = top + (1 + line * LEADING) * grid.size * POINT
                paper.right(f"{place.first}", left + _NUMBER, baseline, grid.size)
                paper.line(place.id, left + _NUMBER + 2, baseline, grid.size)
        if len(cut) > 1:
            paper.right(f"{number}/{len(cut)}", paper.width - grid.left, paper.height - 5, grid.size)
        paper.next_page()
