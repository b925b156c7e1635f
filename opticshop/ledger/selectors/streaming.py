"""The journal in the order of its positions, a thousand entries in memory at a time, however long it is."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Count, Max, Min, Sum

from opticshop.plugin_api import JournalEntry, JournalLine

from ..models import Account, Entry, EntryPosition, Line

#: Positions read at a time. No cursor stays open between two strides, so it works behind any connection pool.
STRIDE = 1000
_CENT = Decimal("0.01")
_WHY = "a batch of the journal, authorised when it was made"
_OF_ENTRY = (
    "number",
    "booked_on",
    "branch__code",
    "currency",
    "description",
    "reference",
    "document",
    "purpose",
    "created_at",
)


@dataclass(frozen=True, slots=True)
class ExportTotals:
    entry_count: int
    line_count: int
    totals: dict[str, Decimal]
    booked_from: dt.date
    booked_to: dt.date


def journal_entries(*, branch_id: uuid.UUID | None, after: int, upto: int) -> Iterator[JournalEntry]:
    """The entries of a branch, or of the group, with positions above ``after`` and not above ``upto``."""
    accounts = Account.objects.in_bulk()
    for start in range(after, upto, STRIDE):
        yield from _stride(accounts, branch_id, start, min(start + STRIDE, upto))


def _stride(
    accounts: Mapping[uuid.UUID, Account], branch_id: uuid.UUID | None, after: int, upto: int
) -> Iterator[JournalEntry]:
    """Some entries with their lines. Ids lie close together where positions do: the range spares reading the rest."""
    places = EntryPosition.objects.everywhere(_WHY).filter(position__gt=after, position__lte=upto)
    keys = list(places.order_by("position").values_list("entry_id", flat=True))
    if not keys:
        return
    near = (min(keys), max(keys))
    entries = Entry.objects.everywhere(_WHY).filter(id__range=near, id__in=keys)
    if branch_id is not None:
        entries = entries.filter(branch=branch_id)
    found = {key: (reverses, facts) for key, reverses, *facts in entries.values_list("id", "reverses_id", *_OF_ENTRY)}
    rows = Line.objects.everywhere(_WHY).filter(entry_id__gte=near[0], entry_id__lte=near[1], entry_id__in=list(found))
    columns = ("entry_id", "account_id", "debit", "credit", "tax_code", "party")
    lines: dict[uuid.UUID, list[JournalLine]] = defaultdict(list)
    for key, account, *facts in rows.order_by("entry_id", "line_no").values_list(*columns):
        lines[key].append(_line(accounts[account], *facts))
    numbers = _numbers({reverses for reverses, _ in found.values() if reverses})
    for key in keys:
        if key in found:
            reverses, facts = found[key]
            yield _entry(key, facts, tuple(lines[key]), numbers.get(reverses, ""))


def _numbers(keys: set[uuid.UUID]) -> dict[uuid.UUID | None, str]:
    if not keys:
        return {}
    return dict(Entry.objects.everywhere(_WHY).filter(id__in=keys).values_list("id", "number"))


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


def _entry(key: uuid.UUID, facts: Sequence[Any], lines: tuple[JournalLine, ...], reverses: str) -> JournalEntry:
    number, booked_on, branch, currency, text, reference, document, purpose, posted_at = facts
    return JournalEntry(
        id=str(key),
        number=number,
        booked_on=booked_on,
        branch_code=branch,
        currency=currency,
        description=text,
        lines=lines,
        reference=reference,
        document=document,
        purpose=purpose,
        posted_at=posted_at,
        reverses=reverses,
    )


def _line(account: Account, debit: Decimal, credit: Decimal, tax_code: str, party: str) -> JournalLine:
    return JournalLine(
        account=account.code,
        account_name=account.name,
        account_kind=account.kind,
        account_role=account.role or "",
        debit=debit,
        credit=credit,
        tax_code=tax_code or None,
        party=party,
    )
