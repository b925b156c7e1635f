"""Rows as PostgreSQL sends and takes them: COPY in its binary format, and what stands where in a row.

The format: a signature of 19 bytes, then for each row the number of fields (int16) and for each field its length
(int32, -1 for NULL) and its bytes, at the end -1 (PostgreSQL, "COPY", "Binary Format").
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

HEADER = b"PGCOPY\n\xff\r\n\0" + struct.pack("!ii", 0, 0)
TRAILER = struct.pack("!h", -1)
#: Microseconds of a timestamp and days of a date count from this day (PostgreSQL).
EPOCH_DAYS = 10957  # 2000-01-01, from 1970


@dataclass(frozen=True)
class Cell:
    """One value of a row: where its bytes stand in the row; ``length`` is -1 for NULL."""

    column: str
    type: str
    offset: int
    length: int


@dataclass(frozen=True)
class Row:
    data: bytes
    cells: tuple[Cell, ...]

    def bytes_of(self, column: str) -> bytes | None:
        for cell in self.cells:
            if cell.column == column:
                return None if cell.length < 0 else self.data[cell.offset : cell.offset + cell.length]
        raise KeyError(column)


def columns_of(cursor: Any, table: str) -> list[tuple[str, str]]:
    """Name and type of each column, in the order of the table."""
    cursor.execute(
        "SELECT attname, format_type(atttypid, NULL) FROM pg_attribute "
        "WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = '' ORDER BY attnum",
        [table],
    )
    return [(name, kind) for name, kind in cursor.fetchall()]


def rows_of(
    cursor: Any,
    table: str,
    columns: Sequence[tuple[str, str]],
    key: str,
    keys: Iterable[Any],
    instead: Mapping[str, str] | None = None,
) -> list[Row]:
    """Rows by key, in the order of their keys; ``instead`` are SQL expressions that stand for columns."""
    given = instead or {}
    named = ", ".join(
        f'({given[name]})::{kind} AS "{name}"' if name in given else f'"{name}"' for name, kind in columns
    )
    wanted = ", ".join("'" + str(each) + "'" for each in keys)
    statement = (
        f'COPY (SELECT {named} FROM "{table}" WHERE "{key}" IN ({wanted}) ORDER BY "{key}") TO STDOUT (FORMAT BINARY)'
    )
    with cursor.copy(statement) as copy:
        data = b"".join(bytes(piece) for piece in copy)
    return list(parsed(data, columns))


def parsed(data: bytes, columns: Sequence[tuple[str, str]]) -> Iterable[Row]:
    at = 19 + struct.unpack_from("!i", data, 15)[0]
    while True:
        (count,) = struct.unpack_from("!h", data, at)
        if count == -1:
            return
        begins, cells = at, []
        at += 2
        for name, kind in columns:
            (length,) = struct.unpack_from("!i", data, at)
            at += 4
            cells.append(Cell(name, kind, at - begins, length))
            at += max(length, 0)
        yield Row(data[begins:at], tuple(cells))
