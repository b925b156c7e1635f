"""The database of this installation, whichever kind it is: copied, proven, laid beside it, put in its place."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.utils import load_backend

from . import postgresql, sqlite
from .digests import Digest, Source, digests
from .refusing import BackupRefused

Settings = dict[str, Any]
#: The database in an archive, by vendor.
MEMBERS = {"sqlite": "database.sqlite3", "postgresql": "database.pgdump"}
#: Rows here mean that somebody works with the installation.
_INHABITED = ("accounts_user", "branches_branch")


def present() -> tuple[str, Settings]:
    """Vendor and settings of the database of this installation."""
    default = connections[DEFAULT_DB_ALIAS]
    return default.vendor, default.settings_dict


def version() -> str:
    if present()[0] == "sqlite":
        return f"SQLite {sqlite3.sqlite_version}"
    with connections[DEFAULT_DB_ALIAS].cursor() as cursor:
        cursor.execute("SHOW server_version")
        return f"PostgreSQL {cursor.fetchone()[0]}"


@contextmanager
def copied(into: Path) -> Iterator[Source]:
    """Write a copy of the database, all of one moment, to ``into``; yields that moment to be read."""
    vendor, settings = present()
    if vendor == "sqlite":
        sqlite.copy(Path(settings["NAME"]), into)
        with read(into) as source:
            yield source
    else:
        with postgresql.snapshot(settings) as (found, name):
            postgresql.dump(settings, into, name)
            yield found


@contextmanager
def read(copy: Path) -> Iterator[Source]:
    """A file of SQLite that nobody changes."""
    with closing(sqlite3.connect(f"file:{copy}?mode=ro", uri=True)) as opened:
        opened.execute("BEGIN")
        yield sqlite.SqliteSource(opened)


def migrations(source: Source) -> list[list[str]]:
    """App and name of each migration that is applied, in the order in which they were."""
    if "django_migrations" not in source.tables():
        raise BackupRefused("This database was never migrated: there is nothing to back up.")
    return [[str(app), str(name)] for app, _, name in sorted(source.rows("django_migrations", ["app", "id", "name"]))]


def is_inhabited() -> bool:
    """Whether there are people or branches. What cannot be asked has none."""
    vendor, settings = present()
    if vendor == "sqlite":
        path = Path(settings["NAME"])
        if not path.exists() or not path.stat().st_size:
            return False
        with closing(sqlite3.connect(path)) as opened:
            return _any_rows(sqlite.SqliteSource(opened))
    if not postgresql.exists(settings):
        return False
    with postgresql.snapshot(settings) as (source, _):
        return _any_rows(source)


def _any_rows(source: Source) -> bool:
    tables = source.tables()
    return any(next(source.rows(table, ["id"]), None) is not None for table in _INHABITED if table in tables)


class Beside:
    """A restored database that is not yet in use, next to the one that is."""

    def __init__(self, copy: Path, stamp: str) -> None:
        self.vendor, self.present = present()
        self.old = f"{Path(self.present['NAME']).name}.before-{stamp}"
        self._copy, self._new = copy, f"{self.present['NAME']}_restoring_{os.getpid()}"

    def __enter__(self) -> Beside:
        if self.vendor == "postgresql":
            postgresql.create(self.settings())
            try:
                postgresql.load(self.settings(), self._copy)
            except BaseException:
                postgresql.drop(self.settings())
                raise
        return self

    def __exit__(self, *_: Any) -> None:
        """What was not put in place is taken away."""
        if self.vendor == "postgresql":
            postgresql.drop(self.settings())

    def settings(self) -> Settings:
        # A pool is known by the alias of its database alone, so the copy must not ask for one.
        options = {key: value for key, value in self.present["OPTIONS"].items() if key != "pool"}
        return self.present | {"NAME": str(self._copy) if self.vendor == "sqlite" else self._new, "OPTIONS": options}

    def digests(self) -> dict[str, Digest]:
        if self.vendor == "sqlite":
            with read(self._copy) as source:
                return digests(source)
        with postgresql.snapshot(self.settings()) as (found, _):
            return digests(found)

    def put_in_place(self) -> str | None:
        """Returns the name under which what was there is kept."""
        default: Any = connections[DEFAULT_DB_ALIAS]
        default.close()
        if self.vendor == "postgresql":
            if self.present["OPTIONS"].get("pool"):
                default.close_pool()
            old = self.old if postgresql.exists(self.present) else None
            postgresql.put_in_place(self._new, self.present, old)
            return old
        place = Path(self.present["NAME"])
        sqlite.end_use(self._copy)
        sqlite.end_use(place)
        kept = None
        if place.exists():
            kept = place.with_name(self.old)
            os.link(place, kept)
        os.replace(self._copy, place)
        return None if kept is None else str(kept)


@contextmanager
def in_place_of_default(settings: Settings) -> Iterator[None]:
    """Everything that asks the default connection asks that database."""
    kept = connections[DEFAULT_DB_ALIAS]
    there = load_backend(settings["ENGINE"]).DatabaseWrapper(settings, DEFAULT_DB_ALIAS)
    connections[DEFAULT_DB_ALIAS] = there
    try:
        yield
    finally:
        there.close()
        connections[DEFAULT_DB_ALIAS] = kept
