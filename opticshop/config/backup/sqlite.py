"""A copy of SQLite while others write, and a copy put in its place."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from django.db.backends.sqlite3._functions import register as teach  # type: ignore[import-untyped]

from .digests import Kinds
from .refusing import BackupRefused

_HEADER = b"SQLite format 3\0"
_BESIDE = ("-wal", "-shm", "-journal")
_KINDS = {
    "bool": "flag",
    "decimal": "decimal",
    "datetime": "moment",
    "date": "day",
    "time": "clock",
    "char(32)": "key",
    "real": "float",
}


def is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_HEADER)) == _HEADER


def lies_beside(path: Path) -> bool:
    """Whether it is what SQLite keeps beside a database, which a copy of the database holds already."""
    return any(path.name.endswith(end) and path.with_name(path.name.removesuffix(end)).exists() for end in _BESIDE)


def copy(source: sqlite3.Connection | Path, into: Path, *, pages: int = 2000) -> None:
    """One state of the database, by SQLite's online backup: others go on reading and writing.

    In steps, so that no writer waits long. When another process has written between two of them SQLite begins anew, so
    after some hundred steps in vain the rest is copied in one.
    """
    steps = 0

    class Hurry(Exception): ...

    def step(status: int, remaining: int, total: int) -> None:
        nonlocal steps
        steps += 1
        if steps > 4 * (total // pages + 1) + 200:
            raise Hurry

    if isinstance(source, Path):
        if not source.exists():
            raise BackupRefused(f"There is no database at {source}.")
        with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True, timeout=60)) as opened:
            copy(opened, into, pages=pages)
        return
    os.close(os.open(into, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(sqlite3.connect(into)) as target:
        try:
            source.backup(target, pages=pages, progress=step, sleep=0.02)
        except Hurry:
            source.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
        teach(target)  # checks and indexes use functions of the framework
        [(said,)] = target.execute("PRAGMA quick_check(1)").fetchall()
    if said != "ok":
        raise BackupRefused(f"The database is damaged: {said}")


def end_use(path: Path) -> None:
    """Write what lies beside the database into it, which nobody may have open. Raises BackupRefused."""
    if not path.exists():
        return
    try:
        with closing(sqlite3.connect(path, timeout=2)) as opened:
            opened.execute("PRAGMA journal_mode = DELETE").fetchall()
    except sqlite3.OperationalError as error:
        raise BackupRefused(f"{path} is in use ({error}). Stop the service and its job runner first.") from error
    if left := [end for end in _BESIDE if path.with_name(path.name + end).exists()]:
        raise BackupRefused(f"{path} is in use: {path.name}{left[0]} stays beside it. Stop the service first.")


class SqliteSource:
    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def tables(self) -> dict[str, Kinds]:
        found = self._connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
        ).fetchall()
        return {name: self._kinds(name, sql) for name, sql in found}

    def _kinds(self, table: str, sql: str) -> Kinds:
        json = set(re.findall(r'JSON_VALID\("(\w+)"\)', sql, re.IGNORECASE))
        columns = self._connection.execute("SELECT name, lower(type) FROM pragma_table_info(?)", [table]).fetchall()
        return {name: "json" if name in json else _KINDS.get(kind, "plain") for name, kind in columns}

    def rows(self, table: str, columns: list[str]) -> Iterator[tuple[Any, ...]]:
        names = ", ".join(f'"{column}"' for column in columns) or "1"
        rows: Iterator[tuple[Any, ...]] = self._connection.execute(f'SELECT {names} FROM "{table}"')
        yield from rows
