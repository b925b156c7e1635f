"""One row for each line of an entry, in the columns that general ledgers share."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC
from decimal import Decimal
from itertools import islice

from opticshop.plugin_api import NO_SETTINGS, JournalEntry, JournalLine, LedgerExporter, Settings

COLUMNS = (
    "entry_id",
    "line_no",
    "entry_date",
    "posting_date",
    "document_type",
    "document_number",
    "branch",
    "account_code",
    "account_name",
    "description",
    "debit",
    "credit",
    "currency",
    "tax_code",
    "tax_base",
    "tax_amount",
    "counterparty_ref",
    "cost_centre",
    "source_id",
)
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_ENTRIES_A_PIECE = 200


class JournalCsv(LedgerExporter):
    """RFC 4180 with CRLF; numbers stay numbers, texts are guarded against being read as formulas."""

    name = "journal-csv"
    title = "Journal (CSV)"
    media_type = "text/csv"
    file_extension = "csv"

    def export(self, entries: Iterable[JournalEntry], settings: Settings = NO_SETTINGS) -> Iterator[bytes]:
        """UTF-8, the heading first; some hundred entries in a piece."""
        yield _piece([COLUMNS])
        following = iter(entries)
        while some := list(islice(following, _ENTRIES_A_PIECE)):
            yield _piece(row for entry in some for row in _rows(entry))


def _rows(entry: JournalEntry) -> Iterator[Sequence[object]]:
    posted = entry.posted_at.astimezone(UTC).date().isoformat() if entry.posted_at else ""
    before = (entry.booked_on.isoformat(), posted, _text(entry.document.partition("/")[0]), _text(entry.reference))
    number, branch, source = _text(entry.number), _text(entry.branch_code), _text(entry.document)
    for line_no, line in enumerate(entry.lines, start=1):
        yield (
            number,
            line_no,
            *before,
            branch,
            _text(line.account),
            _text(line.account_name),
            _text(line.memo or entry.description),
            _amount(line.debit),
            _amount(line.credit),
            entry.currency,
            _text(line.tax_code or ""),
            *_tax(entry, line),
            _text(line.party),
            "",
            source,
        )


def _tax(entry: JournalEntry, line: JournalLine) -> tuple[str, str]:
    """Base and amount of a line of output tax; empty for any other line, the base also where no income is booked."""
    if line.account_role != "output_tax":
        return "", ""
    taxed = [each for each in entry.lines if each.account_kind == "income" and each.tax_code == line.tax_code]
    base = sum((each.credit - each.debit for each in taxed), Decimal(0))
    return _amount(base) if taxed else "", _amount(line.credit - line.debit)


def _text(cell: str) -> str:
    return f"'{cell}" if cell.startswith(_FORMULA_STARTS) else cell


def _amount(amount: Decimal) -> str:
    return format(amount, "f")


def _piece(rows: Iterable[Sequence[object]]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode()
