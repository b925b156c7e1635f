"""What a table holds, as one figure that depends neither on the order of its rows nor on the kind of database.

Each row is written canonically and hashed with SHA-256; the hashes are added modulo 2**256. That finds a row that was
lost, changed or put in by accident. Against somebody who constructs rows on purpose a sum of hashes is no proof; the
seal of the archive is.

A value is written by its kind, so that the same row has the same digest on SQLite and PostgreSQL. Two cannot: decimals
of more than 15 digits, which SQLite keeps as floats, and numbers in JSON that PostgreSQL writes in another way.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Any, Protocol
from uuid import UUID

Kinds = dict[str, str]
_EXACT = Context(prec=200)
_MODULUS = 2**256


class Source(Protocol):
    """One state of a database that does not change while it is read."""

    def tables(self) -> dict[str, Kinds]:
        """Every table of ours, with the kind of each of its columns."""

    def rows(self, table: str, columns: list[str]) -> Iterator[tuple[Any, ...]]: ...


@dataclass(frozen=True, slots=True)
class Digest:
    rows: int
    sha256: str


def digests(source: Source) -> dict[str, Digest]:
    return {table: digest(source, table, kinds) for table, kinds in sorted(source.tables().items())}


def digest(source: Source, table: str, kinds: Kinds, *, only: Collection[str] | None = None) -> Digest:
    """Of all columns, or of those in ``only``, in the order of their names: where a column stands does not matter."""
    count, total = 0, 0
    for each in row_digests(source, table, kinds, only=only):
        count += 1
        total += int.from_bytes(each)
    return Digest(count, f"{total % _MODULUS:064x}")


def row_digests(source: Source, table: str, kinds: Kinds, *, only: Collection[str] | None = None) -> Iterator[bytes]:
    columns = sorted(kinds if only is None else set(kinds) & set(only))
    writers = [(f"{name}\0".encode(), _WRITERS.get(kinds[name], _plain)) for name in columns]
    for row in source.rows(table, columns):
        written = hashlib.sha256()
        for (name, write), value in zip(writers, row, strict=True):
            said = b"n" if value is None else write(value)
            written.update(name + len(said).to_bytes(8) + said)
        yield written.digest()


def _plain(value: Any) -> bytes:
    if isinstance(value, bytes | memoryview):
        return b"x" + bytes(value)
    return (b"i" if isinstance(value, int) else b"s") + str(value).encode()


def _flag(value: Any) -> bytes:
    return b"b1" if value else b"b0"


def _decimal(value: Any) -> bytes:
    plain = format(_EXACT.normalize(Decimal(str(value))), "f")
    return b"d" + (b"0" if plain == "-0" else plain.encode())


def _moment(value: Any) -> bytes:
    moment = dt.datetime.fromisoformat(value) if isinstance(value, str) else value
    aware = moment.astimezone(dt.UTC) if moment.tzinfo else moment.replace(tzinfo=dt.UTC)
    return b"t" + aware.isoformat().encode()


def _clock_or_day(value: Any) -> bytes:
    return b"s" + (value if isinstance(value, str) else value.isoformat()).encode()


def _key(value: Any) -> bytes:
    return b"u" + (value.hex if isinstance(value, UUID) else str(value)).encode()


def _json(value: Any) -> bytes:
    read = json.loads(value) if isinstance(value, str) else value
    return b"j" + json.dumps(read, sort_keys=True, separators=(",", ":")).encode()


def _float(value: Any) -> bytes:
    return b"f" + repr(float(value)).encode()


_WRITERS: dict[str, Callable[[Any], bytes]] = {
    "flag": _flag,
    "decimal": _decimal,
    "moment": _moment,
    "day": _clock_or_day,
    "clock": _clock_or_day,
    "key": _key,
    "json": _json,
    "float": _float,
}
