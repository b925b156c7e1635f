"""The words in which ``config/retention.py`` says what becomes of each table, and the periods it starts from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import Any

from django.conf import settings
from django.utils.module_loading import import_string


class RecordKind(StrEnum):
    """What records are of, for how long they are kept."""

    IDENTITY = "identity"
    CLINICAL = "clinical"
    SUPPLY = "supply"
    BOOKKEEPING = "bookkeeping"
    SCHEME = "scheme"
    EVIDENCE = "evidence"
    MESSAGES = "messages"
    APPOINTMENTS = "appointments"
    RECALLS = "recalls"
    OUTSIDE = "outside"
    PRIVACY = "privacy"
    TRAIL = "trail"


@dataclass(frozen=True, slots=True)
class Purpose:
    """What a person is told of a kind of records: what they are, what for, and from whom they come."""

    category: str
    purpose: str
    source: str


class AtErasure(StrEnum):
    """What is done with the rows of a table when a person is erased."""

    DELETE = "delete"
    BLANK = "blank"
    KEEP = "keep"


@dataclass(frozen=True, slots=True)
class Rule:
    """One table: its kind, what erasure does, and why. ``blank``: column -> what it holds afterwards.

    ``paths``: ways from a row to the customer, where the shortest one does not find every row.
    """

    kind: RecordKind
    at_erasure: AtErasure
    why: str
    blank: Mapping[str, Any] = field(default_factory=dict)
    paths: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Beyond:
    """A table without a way to the customer that may still hold what is theirs: what erasure does there, and why."""

    kind: RecordKind
    done: str
    why: str
    keeps_values: bool = False


@dataclass(frozen=True, slots=True)
class Period:
    """How long records of a kind are kept in a jurisdiction ("*": where nothing else is said).

    ``years`` after the person was last seen; where the person was a child then, at least to the age ``to_age``.
    ``of_each_row``: the years run for each row from its own day, while the person still comes.
    """

    kind: RecordKind
    jurisdiction: str
    years: int
    source: str
    confidence: str
    to_age: int | None = None
    of_each_row: bool = False

    def ends(self, last_seen: dt.date, birth_date: dt.date | None) -> dt.date:
        """The first day on which the records need no longer be kept."""
        over = plus_years(last_seen, self.years)
        if self.to_age is None or birth_date is None or plus_years(birth_date, CHILD_BELOW) <= last_seen:
            return over
        return max(over, plus_years(birth_date, self.to_age))


#: In place of a text that a table wants explained.
ERASED = "erased"
#: Who is a child for ``to_age``: below 18 (age of majority in the UK, from memory).
CHILD_BELOW = 18


def plus_years(day: dt.date, years: int) -> dt.date:
    """The same day of a later year; 29 February becomes 1 March."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return dt.date(day.year + years, 3, 1)


@dataclass(frozen=True, slots=True)
class Policy:
    """``config/retention.py`` as a whole."""

    rules: Mapping[str, Rule]
    beyond: Mapping[str, Beyond]
    periods: tuple[Period, ...]
    purposes: Mapping[RecordKind, Purpose]


@cache
def policy() -> Policy:
    found: Policy = import_string(settings.OPTICSHOP_RETENTION)
    return found
