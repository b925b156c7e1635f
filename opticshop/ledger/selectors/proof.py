"""The proof of the ledger: everything that must hold, looked at anew, and what does not."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from uuid import UUID

from django.db import connection
from django.db.models import Count, Max, Sum

from opticshop.branches.models import NumberSeries
from opticshop.branches.series import Series

from ..models import Entry, EntryPosition, JournalExport, JournalTail, Line, Period
from .streaming import totals_of

WHY = "proof of the ledger"
_ZERO, _CENT = Decimal(0), Decimal("0.01")
SEALED = ("ledger_entry", "ledger_line", "ledger_entryposition", "ledger_journalexport")
_BALANCED = ("ledger_entry", "ledger_line")


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that does not hold, and about what."""

    subject: str
    words: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.words}"


def ledger_findings(file_of: Callable[[JournalExport], Iterator[bytes]] | None = None) -> list[Finding]:
    """Everything wrong with the ledger; empty when it can be believed. With ``file_of`` every file is made anew too."""
    return [
        *_entries(),
        *_numbers(),
        *_documents(),
        *_reversals(),
        *_closed_months(),
        *_positions(),
        *_batches(file_of),
        *_triggers(),
    ]


def _entries() -> Iterator[Finding]:
    entries = Entry.objects.everywhere(WHY).annotate(
        lines_found=Count("lines"),
        last_line=Max("lines__line_no"),
        debit=Sum("lines__debit"),
        credit=Sum("lines__credit"),
    )
    columns = ("number", "total", "line_count", "lines_found", "last_line", "debit", "credit")
    for number, total, said, found, last, *sides in entries.order_by("id").values_list(*columns).iterator():
        debit, credit = ((side or _ZERO).quantize(_CENT) for side in sides)
        if debit != credit:
            yield Finding(f"entry {number}", f"{debit} is debited, {credit} credited")
        if (total, said) != (debit, found):
            yield Finding(f"entry {number}", f"says {said} lines of {total}, has {found} of {debit}")
        if last != found:
            yield Finding(f"entry {number}", f"its lines do not count from 1 to {found}")


def _numbers() -> Iterator[Finding]:
    """Numbers of a branch and year run from 1 without a gap, to where the series stands."""
    rows = Entry.objects.everywhere(WHY).order_by().values_list("branch_id", "branch__code", "number").iterator()
    seen: dict[tuple[UUID, int], tuple[str, int, int]] = {}
    for branch_id, code, number in rows:
        year, place = _read(number, code)
        if not place:
            yield Finding(f"entry {number}", f"is no number of branch {code}")
            continue
        _, count, highest = seen.get((branch_id, year), ("", 0, 0))
        seen[branch_id, year] = (f"{code}-{Series.JOURNAL_ENTRY}-{year}", count + 1, max(highest, place))
    stands = {
        (branch_id, year): (f"{code}-{Series.JOURNAL_ENTRY}-{year}", last)
        for branch_id, code, year, last in NumberSeries.objects.filter(kind=Series.JOURNAL_ENTRY).values_list(
            "branch_id", "branch__code", "year", "last"
        )
    }
    for key in seen.keys() | stands.keys():
        name, count, highest = seen.get(key, (stands.get(key, ("", 0))[0], 0, 0))
        last = stands.get(key, ("", 0))[1]
        if not count == highest == last:
            yield Finding(f"series {name}", f"{count} entries, the highest is {highest}, the series stands at {last}")


def _read(number: str, code: str) -> tuple[int, int]:
    year, _, place = number.removeprefix(f"{code}-{Series.JOURNAL_ENTRY}-").partition("-")
    return (int(year), int(place)) if year.isdecimal() and place.isdecimal() else (0, 0)


def _documents() -> Iterator[Finding]:
    booked = Entry.objects.everywhere(WHY).order_by().values("document", "purpose").annotate(times=Count("pk"))
    for row in booked.filter(times__gt=1):
        yield Finding(row["document"], f"is booked {row['times']} times for {row['purpose']}")


def _reversals() -> Iterator[Finding]:
    """A reversal has the lines of its entry with the sides changed, and is not reversed itself."""
    mirrors = Entry.objects.everywhere(WHY).exclude(reverses=None).select_related("reverses")
    for mirror in mirrors.order_by("id").iterator():
        original = mirror.reverses
        assert original is not None
        told = ("branch_id", "currency", "document")
        differing = [name for name in told if getattr(mirror, name) != getattr(original, name)]
        if differing:
            yield Finding(f"entry {mirror.number}", f"has another {', '.join(differing)} than {original.number}")
        if original.reverses_id:
            yield Finding(f"entry {mirror.number}", f"reverses the reversal {original.number}")
        if _sides(mirror, "debit", "credit") != _sides(original, "credit", "debit"):
            yield Finding(f"entry {mirror.number}", f"is not the mirror of {original.number}")


def _sides(entry: Entry, one: str, other: str) -> list[tuple[object, ...]]:
    lines = Line.objects.everywhere(WHY).filter(entry=entry).order_by("line_no")
    return list(lines.values_list("account_id", one, other, "tax_code", "party"))


def _closed_months() -> Iterator[Finding]:
    for period in Period.objects.filter(is_closed=True).select_related("branch"):
        late = Entry.objects.everywhere(WHY).filter(
            booked_on__year=period.month.year, booked_on__month=period.month.month, created_at__gt=period.changed_at
        )
        for entry in late.filter(branch=period.branch) if period.branch else late:
            yield Finding(f"entry {entry.number}", f"was booked into {period.month:%B %Y} after that was closed")


def _positions() -> Iterator[Finding]:
    found = EntryPosition.objects.everywhere(WHY).aggregate(count=Count("pk"), highest=Max("position"))
    tail = JournalTail.objects.values_list("last", flat=True).first() or 0
    if not found["count"] == (found["highest"] or 0) == tail:
        words = f"{found['count']} given out, the highest is {found['highest']}, the tail stands at {tail}"
        yield Finding("positions", words)


def _batches(file_of: Callable[[JournalExport], Iterator[bytes]] | None) -> Iterator[Finding]:
    """Batches follow one another and hold what they say; the files are the same as when they were made."""
    exports = (
        JournalExport.objects.everywhere(WHY).select_related("branch").order_by("exporter", "branch", "after_position")
    )
    batches = list(exports)
    for export, following in pairwise([None, *batches]):
        assert following is not None
        same = export and (export.exporter, export.branch_id) == (following.exporter, following.branch_id)
        begins = export.upto_position if export and same else 0
        if following.after_position != begins:
            yield Finding(following.file_name, f"begins after {following.after_position}, not after {begins}")
    for export in batches:
        found = totals_of(branch_id=export.branch_id, after=export.after_position, upto=export.upto_position)
        holds = found and (found.entry_count, found.line_count, {key: str(sum_) for key, sum_ in found.totals.items()})
        if holds != (export.entry_count, export.line_count, export.totals):
            said = f"{export.entry_count} entries of {export.line_count} lines, {export.totals}"
            yield Finding(export.file_name, f"says {said}, holds {holds}")
        if file_of is not None:
            digest = hashlib.sha256()
            for piece in file_of(export):
                digest.update(piece)
            if digest.hexdigest() != export.sha256:
                yield Finding(export.file_name, "its file is another one now")


def _triggers() -> Iterator[Finding]:
    """What makes the database refuse changes is there and switched on."""
    if connection.vendor == "postgresql":
        wanted = {f"{table}_append_only" for table in SEALED} | {f"{table}_balance" for table in _BALANCED}
        query = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled IN ('O', 'A')"
    else:
        wanted = {f"{table}_no_{verb}" for table in SEALED for verb in ("update", "delete")}
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    with connection.cursor() as cursor:
        cursor.execute(query)
        present = {name for (name,) in cursor.fetchall()}
    for name in sorted(wanted - present):
        yield Finding(f"trigger {name}", "is missing or switched off")
