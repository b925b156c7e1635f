"""A dump of PostgreSQL by its own tools, in the snapshot that the digests are of, and a database put in place."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
from psycopg import conninfo, sql

from .digests import Kinds
from .refusing import BackupRefused

_NOT_OF_THE_DRIVER = {"pool", "isolation_level", "assume_role", "server_side_binding", "prepare_threshold"}
_KINDS = {
    "boolean": "flag",
    "numeric": "decimal",
    "timestamp with time zone": "moment",
    "date": "day",
    "time without time zone": "clock",
    "uuid": "key",
    "jsonb": "json",
    "json": "json",
    "double precision": "float",
    "real": "float",
}


def parameters(settings: dict[str, Any], **more: str) -> dict[str, Any]:
    """As the driver takes them, from the settings of Django."""
    names = {"dbname": "NAME", "user": "USER", "password": "PASSWORD", "host": "HOST", "port": "PORT"}
    given = {name: settings[key] for name, key in names.items() if settings.get(key)}
    return given | {k: v for k, v in settings["OPTIONS"].items() if k not in _NOT_OF_THE_DRIVER} | more


def tool(name: str) -> str:
    homes = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=_version, reverse=True)
    found = shutil.which(name) or shutil.which(name, path=os.pathsep.join(map(str, homes)))
    if found is None:
        raise BackupRefused(f"{name} is not here: install PostgreSQL's client programs, or see docs/backups.md.")
    return found


def _version(home: Path) -> int:
    return int(re.sub(r"\D", "", home.parent.name) or 0)


def run(name: str, settings: dict[str, Any], *arguments: str) -> None:
    """A program of PostgreSQL; the password goes by its environment, where no list of processes shows it."""
    given = parameters(settings)
    password = given.pop("password", None)
    command = [tool(name), *arguments, "--dbname", conninfo.make_conninfo(**given)]
    environment = {**os.environ, **({"PGPASSWORD": password} if password else {})}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BackupRefused(f"{name} failed: {done.stderr.strip()[:2000]}")


@contextmanager
def snapshot(settings: dict[str, Any]) -> Iterator[tuple[PostgresqlSource, str]]:
    """One state of the database, and its name for other connections, for as long as this lasts."""
    with psycopg.connect(**parameters(settings)) as connection:
        connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        connection.execute("SET LOCAL statement_timeout = 0")
        row = connection.execute("SELECT pg_export_snapshot()").fetchone()
        yield PostgresqlSource(connection), str(row[0]) if row else ""
        connection.rollback()


def dump(settings: dict[str, Any], into: Path, in_snapshot: str) -> None:
    os.close(os.open(into, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    how = ("--format=custom", "--compress=0", "--no-owner", "--no-privileges")
    run("pg_dump", settings, *how, f"--snapshot={in_snapshot}", "--file", str(into))


def load(settings: dict[str, Any], dumped: Path) -> None:
    how = ("--no-owner", "--no-privileges", "--exit-on-error", "--single-transaction")
    run("pg_restore", settings, *how, str(dumped))


class PostgresqlSource:
    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self._connection = connection

    def tables(self) -> dict[str, Kinds]:
        found: dict[str, Kinds] = {}
        rows = self._connection.execute(
            """SELECT c.table_name, c.column_name, c.data_type FROM information_schema.columns c
               JOIN information_schema.tables t USING (table_schema, table_name)
               WHERE c.table_schema = 'public' AND t.table_type = 'BASE TABLE'
                 AND NOT (SELECT relispartition FROM pg_class WHERE oid = format('public.%I', c.table_name)::regclass)
               ORDER BY 1, c.ordinal_position"""
        )
        for table, column, kind in rows.fetchall():
            found.setdefault(table, {})[column] = _KINDS.get(kind, "plain")
        return found

    def rows(self, table: str, columns: list[str]) -> Iterator[tuple[Any, ...]]:
        names = sql.SQL(", ").join(map(sql.Identifier, columns)) if columns else sql.SQL("1")
        with self._connection.cursor(name="opticshop_backup") as cursor:
            cursor.itersize = 2000
            cursor.execute(sql.SQL("SELECT {} FROM {}").format(names, sql.Identifier("public", table)))
            yield from cursor


# --- databases as wholes ----------------------------------------------------------------------------------------------
@contextmanager
def _beside(settings: dict[str, Any]) -> Iterator[psycopg.Connection[Any]]:
    """A connection to the server that is to no database of ours."""
    with psycopg.connect(**parameters(settings, dbname="postgres"), autocommit=True) as connection:
        yield connection


def exists(settings: dict[str, Any]) -> bool:
    with _beside(settings) as connection:
        return bool(connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [settings["NAME"]]).fetchall())


def create(settings: dict[str, Any]) -> None:
    try:
        with _beside(settings) as connection:
            connection.execute(
                sql.SQL("CREATE DATABASE {} TEMPLATE template0 ENCODING 'UTF8'").format(
                    sql.Identifier(settings["NAME"])
                )
            )
    except psycopg.errors.InsufficientPrivilege as error:
        raise BackupRefused("The role of the service may not create databases: see docs/backups.md.") from error


def drop(settings: dict[str, Any]) -> None:
    with _beside(settings) as connection:
        connection.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(settings["NAME"])))


def put_in_place(new: str, place: dict[str, Any], old: str | None) -> None:
    """The database ``new`` takes the name of ``place``, whose own becomes ``old``; both at once or neither."""
    rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
    try:
        with _beside(place) as connection, connection.transaction():
            if old is not None:
                connection.execute(rename.format(sql.Identifier(place["NAME"]), sql.Identifier(old)))
            connection.execute(rename.format(sql.Identifier(new), sql.Identifier(place["NAME"])))
    except psycopg.errors.ObjectInUse as error:
        raise BackupRefused(f"{place['NAME']} is in use. Stop the service and its workers first.") from error
