"""Sealing what was written, after the fact: a chain within the writers' transactions would make them wait in a row.

An entry gets its key before its transaction ends, so a lower key may become visible after a higher one. A seal
therefore reaches no further than a horizon below which every key is settled. On PostgreSQL: read the highest key given
out, then see who at that moment has the table open for writing (a lock that is taken before the key and kept until the
transaction ends), and wait until they are gone. What is below that key is then there for good or never will be. SQLite
has one writer, and sealing is one.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from itertools import islice

from django.db import IntegrityError, connection, transaction

from opticshop.core import clock

from .chain import GENESIS, Leaf, entry_leaves, hash_of, packed, read_leaves
from .models import AuditEntry, AuditRead, AuditSeal

log = logging.getLogger("opticshop.audit")

#: Entries, and reads, under one seal.
MOST = 2000
#: How long to wait for those who write, in seconds; after that the next run tries.
PATIENCE = 3.0
_WRITERS = """
    SELECT virtualtransaction FROM pg_locks
    WHERE locktype = 'relation' AND mode = 'RowExclusiveLock' AND pid <> pg_backend_pid()
      AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
      AND relation IN ('audit_auditentry'::regclass, 'audit_auditread'::regclass)
"""


def seal_due() -> int:
    """Seal everything that is settled; returns how many entries and reads were sealed. Two at once do no harm: the
    number of a seal and the hash before it are unique, so the later one gives up."""
    horizon = _horizon()
    sealed = 0
    while horizon is not None:
        try:
            count = _one_seal(*horizon)
        except IntegrityError:
            log.info("somebody else seals the audit trail")
            break
        if not count:
            break
        sealed += count
    return sealed


def _horizon() -> tuple[int, int] | None:
    """The highest settled keys of entries and reads; None if that cannot be said yet."""
    if connection.vendor != "postgresql":
        return _highest()
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce(pg_sequence_last_value(pg_get_serial_sequence('audit_auditentry', 'id')::regclass), 0), "
            "coalesce(pg_sequence_last_value(pg_get_serial_sequence('audit_auditread', 'id')::regclass), 0)"
        )
        entries, reads = cursor.fetchone()
        cursor.execute(_WRITERS)
        writers = {row[0] for row in cursor.fetchall()}
        ends = time.monotonic() + PATIENCE
        while writers:
            if time.monotonic() > ends:
                log.info("the audit trail is not sealed now: %d transactions still write", len(writers))
                return None
            time.sleep(0.05)
            cursor.execute(_WRITERS)
            writers &= {row[0] for row in cursor.fetchall()}
    return int(entries), int(reads)


def _highest() -> tuple[int, int]:
    entry = AuditEntry.objects.order_by("-id").values_list("id", flat=True).first()
    read = AuditRead.objects.order_by("-id").values_list("id", flat=True).first()
    return entry or 0, read or 0


@transaction.atomic
def _one_seal(entries_upto: int, reads_upto: int) -> int:
    last = AuditSeal.objects.defer("leaves").order_by("-number").first()
    entries_after, reads_after = (last.entries_upto, last.reads_upto) if last else (0, 0)
    entries, entries_upto = _taken(entry_leaves(entries_after, entries_upto), entries_after, entries_upto)
    reads, reads_upto = _taken(read_leaves(reads_after, reads_upto), reads_after, reads_upto)
    if not entries and not reads:
        return 0
    seal = AuditSeal(
        number=last.number + 1 if last else 1,
        at=clock.now(),
        entries_after=entries_after,
        entries_upto=entries_upto,
        entry_count=len(entries),
        reads_after=reads_after,
        reads_upto=reads_upto,
        read_count=len(reads),
        leaves=packed(entries + reads),
        previous_hash=last.hash if last else GENESIS,
    )
    seal.hash = hash_of(seal)
    seal.save(force_insert=True)
    return len(entries) + len(reads)


def _taken(leaves: Iterator[Leaf], after: int, upto: int) -> tuple[list[Leaf], int]:
    """As many as one seal takes, and how far they reach: to the horizon if nothing is left before it."""
    taken = list(islice(leaves, MOST))
    if len(taken) == MOST:
        return taken, taken[-1][0]
    return taken, max(after, upto)
