"""What a cause is made of: code that finds it, thresholds as data, words for people."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from ..hours import Place

PRACTICE = "common practice, no source"
OUR_CHOICE = "our choice, no source: keeps what is looked through small"


@dataclass(frozen=True, slots=True)
class Threshold:
    """A whole number that a branch may set within limits; the default says what it rests on."""

    name: str
    words: str
    default: int
    unit: str
    lowest: int = 0
    highest: int = 366
    source: str = PRACTICE
    confidence: str = "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One cause that holds now. ``since`` counts when the alert is raised and is not looked at again."""

    key: str
    about: str
    link: str
    number: str
    severity: str
    since: dt.datetime
    facts: dict[str, Any] = field(default_factory=dict)


Thresholds = Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One thing to watch. ``find`` makes a fixed number of queries for a branch, whatever there is to find.

    ``needs`` is the permission for what the alert is about: who lacks it at the branch does not see the alert.
    ``words`` says in one sentence what is the matter, from the facts. ``by_hand``: a person may close it with a reason,
    because the rows alone do not tell that it was dealt with.
    """

    name: str
    title: str
    action: str
    owner_role: str
    needs: str
    thresholds: tuple[Threshold, ...]
    find: Callable[[Place, Thresholds], Iterable[Found]]
    words: Callable[[str, Mapping[str, Any]], str]
    by_hand: bool = False


def api(path: str, key: object) -> str:
    return f"/api/v1/{path}/{key}/"


def first_id_at(moment: dt.datetime) -> uuid.UUID:
    """The smallest key of a row made at that moment or later: keys begin with milliseconds (RFC 9562, 5.7)."""
    return uuid.UUID(int=int(moment.timestamp() * 1000) << 80)


def growing(days: int, steps: Iterable[tuple[int, str]]) -> str | None:
    """The severity of the last step that the days have reached; None before the first."""
    reached = [severity for least, severity in steps if days >= least]
    return reached[-1] if reached else None
