"""Letting old entries and reads go, and only whole seals of them: the seals stay, so the chain still proves the rest.

On PostgreSQL months that are wholly under the seals go as partitions: nothing is deleted row by row but the seal that
reaches into the next month.

That it was done is an entry of the trail itself, written in the transaction that deletes: it says up to which seal, why
and by whom, and is sealed like any other. ``proof`` takes what lies under a pruned seal for gone and not for missing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.db import transaction

from opticshop.core import acting, partitions
from opticshop.core.append_only import opened

from .models import AuditEntry, AuditRead, AuditReadSubject, AuditSeal
from .services import note

#: Seals whose entries go in one transaction; meanwhile nobody else writes to the trail.
SEALS_AT_ONCE = 5
TABLES = ("audit_auditentry", "audit_auditread", "audit_auditreadsubject")
_WORD = "pruned_upto_seal"
ENTRIES = partitions.declare("audit_auditentry", counted=True, guarded=True)
READS = partitions.declare("audit_auditread", counted=True, guarded=True)


@dataclass(frozen=True, slots=True)
class Pruned:
    upto_seal: int
    entries: int
    reads: int


def pruned_upto() -> int:
    """The number of the last seal whose entries were let go; 0 for none."""
    told = AuditEntry.objects.filter(table_name=AuditSeal._meta.db_table, action=AuditEntry.Action.OTHER)
    found = told.filter(after__has_key=_WORD).order_by("-id").values_list("after", flat=True).first()
    return int(found[_WORD]) if found else 0


def prunable(before: dt.datetime) -> list[AuditSeal]:
    """The seals set before that moment that still have what they were set on, without their digests."""
    seals = AuditSeal.objects.defer("leaves").filter(number__gt=pruned_upto(), at__lt=before)
    return list(seals.order_by("number"))


def prune(before: dt.datetime, *, reason: str) -> Iterator[Pruned]:
    """Let go of what was sealed before that moment, in pieces; each is told when it is done. For the owner only."""
    while seals := prunable(before):
        yield _let_go(_end_of_a_month(seals) or seals[:SEALS_AT_ONCE][-1], reason)


def _end_of_a_month(seals: list[AuditSeal]) -> AuditSeal | None:
    """The first seal under which a whole partition of entries lies; None while there is none."""
    ends = [int(each.upper) for each in partitions.partitions_of(ENTRIES.table) if each.upper]
    return next((seal for seal in seals if any(end <= seal.entries_upto + 1 for end in ends)), None)


@transaction.atomic
def _let_go(last: AuditSeal, reason: str) -> Pruned:
    with opened(TABLES):
        AuditReadSubject.objects.filter(read_id__lte=last.reads_upto).delete()
        reads = partitions.let_go(READS, last.reads_upto)
        entries = partitions.let_go(ENTRIES, last.entries_upto)
        reads += AuditRead.objects.filter(id__lte=last.reads_upto).delete()[0]
        entries += AuditEntry.objects.filter(id__lte=last.entries_upto).delete()[0]
    done = Pruned(last.number, entries, reads)
    note(
        action=AuditEntry.Action.OTHER,
        table=AuditSeal._meta.db_table,
        row_id=str(last.number),
        after={_WORD: last.number, "entries": entries, "reads": reads, "why": reason},
        trace=acting.current(),
    )
    return done
