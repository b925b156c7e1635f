"""What is hashed and how: canonical JSON of each entry and read, and the chain of seals over their digests.

Canonical: JSON with sorted keys, no spaces, ASCII only; keys and moments as text, the moment in UTC with microseconds;
``before`` and ``after`` exactly as the database keeps their text. SHA-256 after FIPS 180-4.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import struct
import uuid
from collections.abc import Iterator
from itertools import islice
from typing import Any

from django.db.models import QuerySet, TextField
from django.db.models.functions import Cast

from .models import AuditEntry, AuditRead, AuditReadSubject, AuditSeal

#: The hash before the first seal.
GENESIS = "0" * 64
_LEAF = struct.Struct(">q32s")
_STRIDE = 500
_TRACED = (
    "id",
    "at",
    "actor_id",
    "actor_label",
    "actor_kind",
    "via",
    "address",
    "request_id",
    "method",
    "route",
    "reason",
)
_ENTRY = (*_TRACED, "action", "table_name", "row_id", "customer_id", "branch_id")
_READ = (*_TRACED, "kind", "status")
Leaf = tuple[int, bytes]


def entry_leaves(after: int, upto: int) -> Iterator[Leaf]:
    """Key and digest of the entries in that range, in order; memory does not grow with their number."""
    rows = AuditEntry.objects.annotate(was=Cast("before", TextField()), became=Cast("after", TextField()))
    for row in _strides(rows, after, upto, (*_ENTRY, "was", "became")):
        yield row["id"], digest_of(row)


def read_leaves(after: int, upto: int) -> Iterator[Leaf]:
    """The same of reads; a digest covers the persons found by the read too."""
    rows = AuditRead.objects.annotate(shown=Cast("ids", TextField()), where=Cast("branch_ids", TextField()))
    strides = _strides(rows, after, upto, (*_READ, "shown", "where"))
    while batch := list(islice(strides, _STRIDE)):
        people: dict[int, list[str]] = {row["id"]: [] for row in batch}
        found = AuditReadSubject.objects.filter(read__in=list(people)).order_by("customer_id")
        for read, person in found.values_list("read_id", "customer_id"):
            people[read].append(str(person))
        for row in batch:
            yield row["id"], digest_of({**row, "persons": people[row["id"]]})


def _strides(rows: QuerySet[Any], after: int, upto: int, names: tuple[str, ...]) -> Iterator[dict[str, Any]]:
    while after < upto:
        stride = list(rows.filter(id__gt=after, id__lte=upto).order_by("id").values(*names)[:_STRIDE])
        yield from stride
        if not stride:
            return
        after = stride[-1]["id"]


def digest_of(row: dict[str, Any]) -> bytes:
    return hashlib.sha256(_canonical(row)).digest()


def _canonical(row: dict[str, Any]) -> bytes:
    return json.dumps(row, default=_plain, sort_keys=True, separators=(",", ":")).encode("ascii")


def _plain(value: Any) -> str:
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat(timespec="microseconds")
    if isinstance(value, uuid.UUID):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no canonical form")


def packed(leaves: list[Leaf]) -> bytes:
    return b"".join(_LEAF.pack(key, digest) for key, digest in leaves)


def unpacked(content: bytes) -> list[Leaf]:
    """Raises struct.error where it is no row of leaves."""
    return [(key, digest) for key, digest in _LEAF.iter_unpack(content)]


def hash_of(seal: AuditSeal) -> str:
    """The hash that a seal must carry: over its numbers, the hash before it and all its leaves."""
    facts = {
        "number": seal.number,
        "at": seal.at,
        "entries": [seal.entries_after, seal.entries_upto, seal.entry_count],
        "reads": [seal.reads_after, seal.reads_upto, seal.read_count],
        "leaves": hashlib.sha256(bytes(seal.leaves)).hexdigest(),
        "previous": seal.previous_hash,
    }
    return hashlib.sha256(_canonical(facts)).hexdigest()
