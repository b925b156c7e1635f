"""The kinds of message there are. Each app that tells customers something declares its kinds when it is loaded.

Correspondence knows how to say and send; the app that declared the kind knows whether it is still worth saying.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from .models import Message
    from .wording import Wording

#: service: about the person's own order or appointment; recall: an invitation when an examination is due;
#: marketing: anything that promotes. Each needs its own consent.
Purpose = Literal["service", "recall", "marketing"]


@dataclass(frozen=True, slots=True)
class MessageKind:
    """One kind of message. ``gone`` says why there is no longer anything to tell, and is empty while there is.

    Of the ``placeholders`` those that are ``open_placeholders`` say nothing of health or money, and may stand where
    others read them: on a postcard, and in a text message. ``examples`` fill them in a preview. ``days`` are those with
    ISO 8601 days for values, written out in the language of the text. ``for_ward`` are the built-in words where a
    guardian is told. ``leaves_at`` says when a message may leave that would leave at a moment.
    """

    name: str
    title: str
    purpose: Purpose
    placeholders: tuple[str, ...]
    wording: Wording
    gone: Callable[[Message], str]
    open_placeholders: tuple[str, ...] = ()
    examples: Mapping[str, str] = field(default_factory=dict)
    days: tuple[str, ...] = ()
    for_ward: Wording | None = None
    leaves_at: Callable[[Message, dt.datetime], dt.datetime] | None = None


_kinds: dict[str, MessageKind] = {}


def declare(kind: MessageKind) -> MessageKind:
    """Make a kind known. The names are unique; declaring the same kind again is harmless."""
    if _kinds.setdefault(kind.name, kind) != kind:
        raise ValueError(f"two kinds of message are called {kind.name}")
    return kind


def kind_named(name: str) -> MessageKind:
    """The kind of that name. Raises KeyError for one that no app of this release declares."""
    return _kinds[name]


def all_kinds() -> list[MessageKind]:
    return sorted(_kinds.values(), key=lambda kind: kind.name)
