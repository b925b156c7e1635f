"""The digest of a table: the same rows give the same figure on both databases, in any order; other rows another."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal

import pytest

from opticshop.config.backup.digests import digest

KINDS = {
    "id": "key",
    "total": "decimal",
    "at": "moment",
    "on": "day",
    "done": "flag",
    "data": "json",
    "words": "plain",
    "count": "plain",
    "file": "plain",
    "none": "plain",
}
ID = uuid.UUID("0190f2b0-0000-7000-8000-000000000001")
#: One row as SQLite stores it and as PostgreSQL's driver gives it.
SQLITE = (ID.hex, 12.5, "2026-03-02 12:00:00", "2026-03-02", 1, '{"b": 1, "a": [1.5]}', "Wren", 3, b"\0x", None)
ELSEWHERE = dt.timezone(dt.timedelta(hours=2))
POSTGRESQL = (
    ID,
    Decimal("12.50"),
    dt.datetime(2026, 3, 2, 14, tzinfo=ELSEWHERE),
    dt.date(2026, 3, 2),
    True,
    {"a": [1.5], "b": 1},
    "Wren",
    3,
    b"\0x",
    None,
)


class Rows:
    def __init__(self, *rows):
        self.given = [dict(zip(KINDS, row, strict=True)) for row in rows]

    def tables(self):
        return {"rows": KINDS}

    def rows(self, table, columns):
        return iter(tuple(row[column] for column in columns) for row in self.given)


def of(*rows, only=None):
    return digest(Rows(*rows), "rows", KINDS, only=only)


def test_both_databases_say_the_same():
    assert of(SQLITE) == of(POSTGRESQL)
    assert of(SQLITE).rows == 1


def test_the_order_of_rows_does_not_matter_but_how_often_one_stands_does():
    other = ("f" * 32, *SQLITE[1:])
    assert of(SQLITE, other) == of(other, SQLITE)
    assert len({of(), of(SQLITE), of(SQLITE, other), of(SQLITE, SQLITE), of(other, other)}) == 5


@pytest.mark.parametrize("place", range(len(SQLITE)), ids=list(KINDS))
def test_a_changed_value_changes_the_digest(place):
    others = (uuid.uuid4().hex, 12.51, "2026-03-02 12:00:00.000001", "2026-03-03", 0, "{}", "wren", 4, b"", "")
    changed = (*SQLITE[:place], others[place], *SQLITE[place + 1 :])
    assert of(changed) != of(SQLITE)
    rest = set(KINDS) - {list(KINDS)[place]}
    assert of(changed, only=rest) == of(SQLITE, only=rest)


def test_a_value_does_not_run_into_the_next():
    one, two = list(SQLITE), list(SQLITE)
    one[6], one[7], two[6], two[7] = "ab", "c", "a", "bc"
    assert of(tuple(one)) != of(tuple(two))
