"""Proof of the audit trail: every entry and read is as it was sealed, and the seals follow one another."""

from __future__ import annotations

import datetime as dt
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from django.db import connection
from django.db.models import Min

from opticshop.core import clock
from opticshop.core.partitions import partitions_of

from .chain import GENESIS, Leaf, entry_leaves, hash_of, read_leaves, unpacked
from .models import AuditEntry, AuditRead, AuditSeal
from .pruning import ENTRIES, READS, pruned_upto
from .triggers import present, wanted

SEALED_TABLES = ("audit_auditentry", "audit_auditread", "audit_auditreadsubject", "audit_auditseal")


@dataclass(frozen=True, slots=True)
class Finding:
    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


@dataclass(frozen=True, slots=True)
class Tail:
    """What is not sealed yet, and how long the oldest of it waits."""

    entries: int
    reads: int
    age: dt.timedelta


def findings(*, from_seal: int = 1, anchors: Mapping[int, str] | None = None) -> Iterator[Finding]:
    """What does not hold, as it is found; memory does not grow with the trail."""
    yield from _triggers()
    due, pruned = dict(anchors or {}), pruned_upto()
    before: AuditSeal | None = None
    if from_seal > 1:
        before = AuditSeal.objects.defer("leaves").filter(number=from_seal - 1).first()
        if before is None:
            yield Finding(f"seal {from_seal - 1}", "is missing")
    for seal in _seals(from_seal):
        anchored = due.pop(seal.number, seal.hash)
        if anchored != seal.hash:
            yield Finding(f"seal {seal.number}", "is not the one whose hash was kept elsewhere")
        yield from _of_seal(seal, before, from_seal, pruned)
        before = seal
    for number in sorted(due):
        if number >= from_seal:
            yield Finding(f"seal {number}", "is missing; its hash was kept elsewhere")


def _seals(first: int) -> Iterator[AuditSeal]:
    number = first - 1
    while True:
        stride = list(AuditSeal.objects.filter(number__gt=number).order_by("number")[:20])
        if not stride:
            return
        yield from stride
        number = stride[-1].number


def _of_seal(seal: AuditSeal, before: AuditSeal | None, first: int, pruned: int) -> Iterator[Finding]:
    name = f"seal {seal.number}"
    if before is not None or first == 1:
        number, hash_before, entries, reads = (
            (before.number, before.hash, before.entries_upto, before.reads_upto) if before else (0, GENESIS, 0, 0)
        )
        if seal.number != number + 1:
            yield Finding(name, f"follows seal {number}: what was between them is missing")
        elif seal.previous_hash != hash_before:
            yield Finding(name, "does not carry the hash of the seal before it")
        elif (seal.entries_after, seal.reads_after) != (entries, reads):
            yield Finding(name, "does not begin where the seal before it ends")
    if hash_of(seal) != seal.hash:
        yield Finding(name, "was changed: its hash is not that of what it holds")
    try:
        leaves = unpacked(bytes(seal.leaves))
    except struct.error:
        yield Finding(name, "its digests cannot be read")
        return
    entries_of, reads_of = leaves[: seal.entry_count], leaves[seal.entry_count :]
    gone = seal.number <= pruned
    yield from _compared("entry", entries_of, entry_leaves(seal.entries_after, seal.entries_upto), name, gone)
    yield from _compared("read", reads_of, read_leaves(seal.reads_after, seal.reads_upto), name, gone)


def _compared(word: str, sealed: list[Leaf], found: Iterator[Leaf], name: str, gone: bool) -> Iterator[Finding]:
    left = dict(sealed)
    for key, digest in found:
        known = left.pop(key, None)
        if known is None:
            yield Finding(f"{word} {key}", f"was put in after {name} had been set")
        elif known != digest:
            yield Finding(f"{word} {key}", f"is not what {name} was set on: it was changed")
    for key in () if gone else left:
        yield Finding(f"{word} {key}", f"is missing; it is under {name}")


def tail() -> Tail:
    last = AuditSeal.objects.defer("leaves").order_by("-number").first()
    entries = AuditEntry.objects.filter(id__gt=last.entries_upto if last else 0)
    reads = AuditRead.objects.filter(id__gt=last.reads_upto if last else 0)
    oldest = [found for rows in (entries, reads) if (found := rows.aggregate(found=Min("at"))["found"])]
    age = clock.now() - min(oldest) if oldest else dt.timedelta(0)
    return Tail(entries.count(), reads.count(), max(age, dt.timedelta(0)))


def last_seal() -> AuditSeal | None:
    return AuditSeal.objects.defer("leaves").order_by("-number").first()


def _triggers() -> Iterator[Finding]:
    """What writes the trail and what guards it is there and switched on."""
    are = present(connection)
    for name, made in wanted(connection).items():
        if are.get(name) != made:
            yield Finding(f"trigger {name}", "is missing, switched off or another one")
    if connection.vendor == "postgresql":
        query = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled IN ('O', 'A')"
    else:
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    with connection.cursor() as cursor:
        cursor.execute(query)
        there = {name for (name,) in cursor.fetchall()}
    for name in sorted(_guards() - there):
        yield Finding(f"trigger {name}", "is missing or switched off")
    yield from _unguarded_partitions()


def _guards() -> set[str]:
    """What refuses changes of rows and, on PostgreSQL, emptying whole tables and each of their partitions."""
    if connection.vendor != "postgresql":
        return {f"{table}_{guard}" for table in SEALED_TABLES for guard in ("no_update", "no_delete")}
    parts = [each.name for table in (ENTRIES, READS) for each in partitions_of(table.table)]
    return {f"{table}_append_only" for table in SEALED_TABLES} | {
        f"{table}_no_truncate" for table in (*SEALED_TABLES, *parts)
    }


def _unguarded_partitions() -> Iterator[Finding]:
    """A trigger of a whole table has a copy of the same name on each partition, which can be switched off by itself."""
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT c.relname, t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
               WHERE t.tgparentid <> 0 AND t.tgname LIKE 'audit\\_%%\\_append\\_only' AND t.tgenabled = 'D'
               ORDER BY 1"""
        )
        for partition, name in cursor.fetchall():
            yield Finding(f"trigger {name}", f"is switched off on the partition {partition}")
