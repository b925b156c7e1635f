"""The channel."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from opticshop.plugin_api import MessageChannel, MessageForm, OutboundMessage, SendOutcome, Settings

from . import cover, fonts, letters, postcards
from .facts import Item, items
from .paper import Paper
from .windows import A4_HEIGHT, A4_WIDTH, WINDOWS

SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "form": {
            "title": "Letters on A4 or postcards on A6",
            "description": "A postcard carries only a text that was written to be read by anybody.",
            "enum": ["letter", "postcard"],
        },
        "window": {
            "title": "Window of the envelope",
            "description": "; ".join(f"{one.key}: {one.title} ({one.confidence})" for one in WINDOWS.values()),
            "enum": list(WINDOWS),
        },
        "double_sided": {
            "title": "Letters are printed on both sides",
            "description": "Then each begins on a sheet of its own. Postcards always have two sides.",
            "type": "boolean",
        },
    },
}

DEFAULTS: dict[str, Any] = {"form": "letter", "window": "din-5008-b", "double_sided": False}


class LetterBatch(MessageChannel):
    """Does not send: a person prints the batch and posts it."""

    name = "letter-batch"
    title = "Letters in batches"
    kind = "letter"
    needs = "postal"
    batches = True

    def form(self, settings: Settings) -> MessageForm:
        return "postcard" if _with_defaults(settings)["form"] == "postcard" else "letter"

    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """Always `retry`: nothing has left, and it can go with the next batch."""
        return SendOutcome(state="retry", detail="Letters are printed in batches, not sent one by one.")

    def compose(self, messages: Sequence[OutboundMessage], settings: Settings) -> bytes:
        """A cover sheet and each message once, in their order.

        Raises `Refusal` with the id of the message as its field where one cannot be printed.
        """
        fonts.register()
        own = _with_defaults(settings)
        if own["form"] == "postcard":
            return _postcards(items(messages, postcards=True))
        return _letters(items(messages, postcards=False), own["window"], own["double_sided"])


def _with_defaults(settings: Settings) -> dict[str, Any]:
    return {**DEFAULTS, **settings}


def _letters(found: Sequence[Item], window_key: str, double_sided: bool) -> bytes:
    window = WINDOWS[window_key]
    ready = [letters.laid_out(item, window) for item in found]
    step = 2 if double_sided else 1
    places, page = [], 1 + _padded(cover.count(len(ready), cover.A4), step)
    for letter in ready:
        places.append(cover.Place(letter.item.id, page, len(letter.pages)))
        page += _padded(len(letter.pages), step)
    sheet = _cover(
        "letters",
        found,
        places,
        {
            "on more than one page": sum(place.pages > 1 for place in places),
            "pages": sum(place.pages for place in places),
            "sheets": sum(_padded(place.pages, step) // step for place in places),
        },
    )
    paper = Paper(A4_WIDTH, A4_HEIGHT, sheet.title)
    cover.draw(paper, sheet, cover.A4, unit=10)
    _fill_up(paper, cover.count(len(ready), cover.A4), step)
    for letter in ready:
        letters.draw(paper, letter, window)
        _fill_up(paper, len(letter.pages), step)
    return paper.done()


def _postcards(found: Sequence[Item]) -> bytes:
    ready = [postcards.laid_out(item) for item in found]
    front = cover.count(len(ready), cover.A6)
    first = 1 + _padded(front, 2)
    places = [cover.Place(card.item.id, first + 2 * number, 2) for number, card in enumerate(ready)]
    sheet = _cover("postcards", found, places, {"pages": 2 * len(ready)})
    paper = Paper(postcards.WIDTH, postcards.HEIGHT, sheet.title)
    cover.draw(paper, sheet, cover.A6, unit=8)
    _fill_up(paper, front, 2)
    for card in ready:
        postcards.draw(paper, card)
    return paper.done()


def _padded(pages: int, step: int) -> int:
    """Pages with the empty backs that follow."""
    return -(-pages // step) * step


def _fill_up(paper: Paper, pages: int, step: int) -> None:
    """An empty back, so that what follows begins on a sheet of its own."""
    for _ in range(_padded(pages, step) - pages):
        paper.next_page()


def _cover(word: str, found: Sequence[Item], places: Sequence[cover.Place], counts: dict[str, int]) -> cover.Cover:
    branches = Counter(item.branch_name for item in found)
    marketing = sum(item.is_marketing for item in found)
    return cover.Cover(
        title=f"Batch of {word}: {len(found)}",
        branches=[f"{name[:60]}: {count}" for name, count in sorted(branches.items())][:6],
        totals=[(word, len(found)), *counts.items(), ("service", len(found) - marketing), ("marketing", marketing)],
        places=places,
    )
