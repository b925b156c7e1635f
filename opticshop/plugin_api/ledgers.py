"""Handing the books to an accountant's program."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import ClassVar

from .errors import InvalidFacts
from .types import NO_SETTINGS, JsonReady, Settings

_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalLine(JsonReady):
    """One side of an entry: exactly one of `debit` and `credit` is positive, the other zero.

    `account` is the code of the account; `account_kind` is one of asset, liability, income, expense and equity;
    `account_role` says what the service posts there (for instance output_tax), empty for an account without
    a role. `party` is whose money it is, for instance customers/<id>.
    """

    account: str
    debit: Decimal = _ZERO
    credit: Decimal = _ZERO
    memo: str = ""
    tax_code: str | None = None
    account_name: str = ""
    account_kind: str = ""
    account_role: str = ""
    party: str = ""

    def __post_init__(self) -> None:
        if self.debit < 0 or self.credit < 0 or (self.debit > 0) == (self.credit > 0):
            raise InvalidFacts("a line has either a debit or a credit", field="debit")


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry(JsonReady):
    """One booking in one currency. Raises `InvalidFacts` unless debits equal credits.

    `booked_on` is the branch's day the books count it to, `posted_at` the moment it was written. `document` is what
    caused it (for instance payments/<id>), `purpose` what about it was booked, `reference` its number for people.
    `reverses` is the number of the entry that this one corrects, empty for any other.
    """

    id: str
    number: str
    booked_on: date
    branch_code: str
    currency: str
    description: str
    lines: tuple[JournalLine, ...]
    reference: str = ""
    document: str = ""
    purpose: str = ""
    posted_at: datetime | None = None
    reverses: str = ""

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
