"""What Skeleton Name writes."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

from opticshop.plugin_api.testing import conformance
from opticshop.plugin_api.testing.samples import journal_entries
from opticshop.pluginhost.skeletons.ledger.plugin import HEADINGS, SkeletonNameExporter, plugin

test_conformance = conformance(plugin)


def rows() -> list[dict[str, str]]:
    text = b"".join(SkeletonNameExporter().export(journal_entries())).decode()
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_every_line_of_every_entry_is_a_row() -> None:
    assert len(rows()) == sum(len(entry.lines) for entry in journal_entries())
    assert tuple(rows()[0]) == HEADINGS


def test_debits_equal_credits() -> None:
    assert sum(Decimal(row["debit"]) for row in rows()) == sum(Decimal(row["credit"]) for row in rows())
