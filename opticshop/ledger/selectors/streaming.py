"""The journal in the order of its positions, a few thousand entries in memory at a time, however long it is."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import Any

from django.db.models import Count, Max, Min, Sum

from opticshop.plugin_api import JournalEntry, JournalLine

from ..models import Entry, Line

#: Positions read with one query. No cursor stays open between two, so it works behind any connection pool.
STRIDE = 2000
_COLUMNS = (
    "entry__id",
    "entry__number",
    "entry__booked_on",
    "entry__branch__code",
    "entry__currency",
    "entry__description",
    "entry__reference",
    "entry__document",
    "entry__purpose",
    "entry__created_at",
    "entry__reverses__number",
    "account__code",
    "account__name",
    "account__kind",
    "account__role",
    "debit",
    "credit",
    "tax_code",
    "party",
)
_CENT = Decimal("0.01")
_OF_ENTRY = _COLUMNS.index("account__code")


@dataclass(frozen=True, slots=True)
class ExportTotals:
    entry_count: int
    line_count: int
    totals: dict[str, Decimal]
    booked_from: dt.date
    booked_to: dt.date


def journal_entries(*, branch_id: uuid.UUID | None, after: int, upto: int) -> Iterator[JournalEntry]:
    """The entries of a branch, or of the group, with positions above ``after`` and not above ``upto``."""
    for start in range(after, upto, STRIDE):
        lines = Line.objects.everywhere("a batch of the journal, authorised when it was made").filter(
            entry__settled__position__gt=start, entry__settled__position__lte=min(start + STRIDE, upto)
        )
        if branch_id is not None:
            lines = lines.filter(entry__branch=branch_id)
        rows = lines.order_by("entry__settled__position", "line_no").values_list(*_COLUMNS)
        for _, of_entry in groupby(rows, key=lambda row: row[0]):
            yield _entry(list(of_entry))


def totals_of(*, branch_id: uuid.UUID | None, after: int, upto: int) -> ExportTotals | None:
    """What is in that stretch of the journal; None where nothing is."""
    entries = Entry.objects.everywhere("a batch of the journal").filter(
        settled__position__gt=after, settled__position__lte=upto
    )
    if branch_id is not None:
        entries = entries.filter(branch=branch_id)
    by_currency = entries.values("currency").order_by("currency")
    sums = by_currency.annotate(
        entry_sum=Count("pk"),
        line_sum=Sum("line_count"),
        sum=Sum("total"),
        first=Min("booked_on"),
        last=Max("booked_on"),
    )
    rows = list(sums)
    if not rows:
        return None
    return ExportTotals(
        sum(row["entry_sum"] for row in rows),
        sum(row["line_sum"] for row in rows),
        {row["currency"]: row["sum"].quantize(_CENT) for row in rows},
        min(row["first"] for row in rows),
        max(row["last"] for row in rows),
    )


def _entry(rows: list[tuple[Any, ...]]) -> JournalEntry:
    key, number, booked_on, branch, currency, text, reference, document, purpose, posted_at, reverses = rows[0][
        :_OF_ENTRY
    ]
    return JournalEntry(
        id=str(key),
        number=number,
        booked_on=booked_on,
        branch_code=branch,
        currency=currency,
        description=text,
        lines=tuple(_line(*row[_OF_ENTRY:]) for row in rows),
        reference=reference,
        document=document,
        purpose=purpose,
        posted_at=posted_at,
        reverses=reverses or "",
    )


def _line(
    code: str, name: str, kind: str, role: str | None, debit: Decimal, credit: Decimal, tax_code: str, party: str
) -> JournalLine:
    return JournalLine(
        account=code,
        account_name=name,
        account_kind=kind,
        account_role=role or "",
        debit=debit,
        credit=credit,
        tax_code=tax_code or None,
        party=party,
    )
