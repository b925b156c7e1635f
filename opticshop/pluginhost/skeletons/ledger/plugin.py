"""Skeleton Name: a ledger export for opticshop."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from opticshop.plugin_api import NO_SETTINGS, JournalEntry, LedgerExporter, PluginManifest, Settings, hookimpl

HEADINGS = ("number", "day", "branch", "account", "debit", "credit", "currency", "tax code", "text")


class SkeletonNameExporter(LedgerExporter):
    """One row for each line of an entry. Replace the columns by those that the accountant's program reads."""

    name = "skeleton-name"
    title = "Skeleton Name (CSV)"
    media_type = "text/csv"
    file_extension = "csv"

    def export(self, entries: Iterable[JournalEntry], settings: Settings = NO_SETTINGS) -> Iterator[bytes]:
        """UTF-8 with CRLF line ends, the headings first; one piece for each entry."""
        yield _rows([HEADINGS])
        for entry in entries:
            yield _rows(
                (
                    entry.number,
                    entry.booked_on.isoformat(),
                    entry.branch_code,
                    line.account,
                    format(line.debit, "f"),
                    format(line.credit, "f"),
                    entry.currency,
                    line.tax_code or "",
                    line.memo or entry.description,
                )
                for line in entry.lines
            )


def _rows(rows: Iterable[Sequence[str]]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows([[_plain(cell) for cell in row] for row in rows])
    return text.getvalue().encode()


def _plain(cell: str) -> str:
    """A spreadsheet takes a cell that begins with one of these for a formula; a leading apostrophe prevents it."""
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


class SkeletonName:
    manifest = PluginManifest(
        name="skeleton-name",
        title="Skeleton Name",
        version="0.1.0",
        api=">=1.0,<2",
        description="Exports the journal as CSV.",
    )

    @hookimpl
    def register_ledger_exporters(self) -> Sequence[LedgerExporter]:
        return (SkeletonNameExporter(),)


plugin = SkeletonName()
