"""Transactions in the syntax of plain-text accounting that beancount reads."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache

from opticshop.plugin_api import NO_SETTINGS, InvalidFacts, JournalEntry, JournalLine, LedgerExporter, Settings

STANDALONE = "plain_text_standalone"
#: The first part of an account's name is one of five words; an account of unknown kind is put with the last.
_ROOTS = {"asset": "Assets", "liability": "Liabilities", "income": "Income", "expense": "Expenses"}
_CENT = Decimal("0.01")


class PlainTextBooks(LedgerExporter):
    """One transaction for each entry, its number as the payee and its branch as the tag.

    The order of directives in a file means nothing to the reader, so the accounts are opened at the end, when they are
    known, and the entries need not be held.
    """

    name = "plain-text-books"
    title = "Plain-text accounting"
    media_type = "text/plain"
    file_extension = "beancount"

    def export(self, entries: Iterable[JournalEntry], settings: Settings = NO_SETTINGS) -> Iterator[bytes]:
        """UTF-8, one piece for each entry. Raises InvalidFacts for an amount finer than hundredths."""
        yield b"; Journal of opticshop.\n"
        balances: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
        days: list[date] = []
        for entry in entries:
            yield "\n".join(("", *_transaction(entry), "")).encode()
            days = [min([*days, entry.booked_on]), max([*days, entry.booked_on])]
            for line in entry.lines:
                balances[_account(line), entry.currency] += line.debit - line.credit
        if days and settings.get(STANDALONE, True):
            yield "\n".join(("", *_closing(balances, *days), "")).encode()


def _transaction(entry: JournalEntry) -> Iterator[str]:
    tag = f"#branch-{_plain(entry.branch_code)}"
    yield f"{entry.booked_on} * {_quoted(entry.number)} {_quoted(entry.description)} {tag}"
    yield from _told("  ", source=entry.document, purpose=entry.purpose, reference=entry.reference)
    yield from _told("  ", reverses=entry.reverses)
    for line in entry.lines:
        yield f"  {_account(line)}  {_amount(line.debit - line.credit)} {entry.currency}"
        yield from _told("    ", tax=line.tax_code or "", party=line.party, memo=line.memo)


def _told(indent: str, **values: str) -> Iterator[str]:
    for key, value in values.items():
        if value:
            yield f"{indent}{key}: {_quoted(value)}"


def _closing(balances: dict[tuple[str, str], Decimal], first: date, last: date) -> Iterator[str]:
    """Every account opened on the first day, and what it comes to on the morning after the last, exactly.

    Left to itself the reader would forgive a balance one cent: twice what it forgives an entry.
    """
    for account in sorted({account for account, _ in balances}):
        yield f"{first} open {account}"
    for (account, currency), balance in sorted(balances.items()):
        yield f"{last + timedelta(days=1)} balance {account}  {_amount(balance)} ~ 0.00 {currency}"


def _account(line: JournalLine) -> str:
    return _called(line.account_kind, line.account, line.account_name)


@lru_cache(maxsize=1000)
def _called(kind: str, code: str, name: str) -> str:
    """A part of an account's name begins with a capital or a digit and holds letters, digits and hyphens."""
    words = _plain(f"{code} {name}")
    return f"{_ROOTS.get(kind, 'Equity')}:{words[:1].upper()}{words[1:]}"


def _amount(amount: Decimal) -> str:
    if amount != amount.quantize(_CENT):
        raise InvalidFacts(f"{amount} is finer than hundredths", field="lines")
    return f"{amount:.2f}"


def _plain(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-")


def _quoted(text: str) -> str:
    flat = " ".join(text.split())
    return '"' + flat.replace("\\", "\\\\").replace('"', '\\"') + '"'
