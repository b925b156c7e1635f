"""Handing the books to an accountant's program."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import ClassVar

from .errors import InvalidFacts
from .types import NO_SETTINGS, JsonReady, Settings

_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalLine(JsonReady):
    """One side of an entry: exactly one of `debit` and `credit` is positive, the other zero."""

    account: str
    debit: Decimal = _ZERO
    credit: Decimal = _ZERO
    memo: str = ""
    tax_code: str | None = None

    def __post_init__(self) -> None:
        if self.debit < 0 or self.credit < 0 or (self.debit > 0) == (self.credit > 0):
            raise InvalidFacts("a line has either a debit or a credit", field="debit")


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry(JsonReady):
    """One booking in one currency. Raises `InvalidFacts` unless debits equal credits."""

    id: str
    number: str
    booked_on: date
    branch_code: str
    currency: str
    description: str
    lines: tuple[JournalLine, ...]
    reference: str = ""

    def __post_init__(self) -> None:
        if len(self.lines) < 2:
            raise InvalidFacts("an entry needs two lines", field="lines")
        difference = sum((line.debit - line.credit for line in self.lines), _ZERO)
        if difference != 0:
            raise InvalidFacts(f"entry {self.number} is out of balance by {difference}", field="lines")


class LedgerExporter(ABC):
    """A file format for journals. `name` is kebab-case and unique."""

    name: ClassVar[str]
    title: ClassVar[str]
    media_type: ClassVar[str]
    file_extension: ClassVar[str]

    @abstractmethod
    def export(self, entries: Iterable[JournalEntry], settings: Settings = NO_SETTINGS) -> Iterator[bytes]:
        """The file in pieces, without holding all entries. The same entries give the same bytes, on any
        day."""
