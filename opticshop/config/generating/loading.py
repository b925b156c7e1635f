"""Takes indexes, foreign keys and triggers off the tables that are filled, and puts them back as they were.

It needs the ownership of the tables, nothing more. What was taken off is put back after a failure too; a process that
is killed between leaves a database without them, which is to be dropped.
"""

from __future__ import annotations

import logging
import queue
import re
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db import connection

from .wire import HEADER, TRAILER

log = logging.getLogger("opticshop.generating")

#: Of the session that builds indexes; two of them work at a time.
_BUILDING = (
    "SET maintenance_work_mem = '3GB'",
    "SET max_parallel_maintenance_workers = 0",
    "SET max_parallel_workers_per_gather = 0",
    "SET statement_timeout = 0",
    "SET lock_timeout = 0",
    "SET idle_in_transaction_session_timeout = 0",
    "SET synchronous_commit = off",
)
#: Of the session that copies: compresses more than twice as fast as what stands for it otherwise.
_COPYING = "SET default_toast_compression = 'lz4'"
_FULL = re.compile(r"( USING btree \(.*?\))( INCLUDE \(.*?\))?( NULLS NOT DISTINCT)?( WHERE .*)?$")


@dataclass
class Taken:
    """What was taken off: statements that put it back, those of one list in any order."""

    indexes: list[str] = field(default_factory=list)
    constraints: list[str] = field(default_factory=list)
    foreign: list[str] = field(default_factory=list)
    fillings: list[str] = field(default_factory=list)
    proofs: list[str] = field(default_factory=list)
    triggers: list[str] = field(default_factory=list)


def taken_off(tables: Sequence[str], silenced: Sequence[str]) -> Taken:
    """Indexes and keys of ``tables`` off, and the triggers of ``silenced``; partitioned tables keep their indexes."""
    off = Taken()
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute(
            """SELECT conrelid::regclass::text, conname, pg_get_constraintdef(c.oid) FROM pg_constraint c
               WHERE contype = 'f' AND conparentid = 0
                 AND (conrelid = ANY(%(t)s::regclass[]) OR confrelid = ANY(%(t)s::regclass[]))""",
            {"t": list(tables)},
        )
        for table, name, made in cursor.fetchall():
            off.foreign.append(f'ALTER TABLE {table} ADD CONSTRAINT "{name}" {made} NOT VALID')
            off.proofs.append(f'ALTER TABLE {table} VALIDATE CONSTRAINT "{name}"')
            cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"')
        cursor.execute(
            """SELECT i.indrelid::regclass::text, x.relname, pg_get_indexdef(i.indexrelid), con.conname, con.contype,
                      con.condeferrable, con.condeferred
               FROM pg_index i JOIN pg_class x ON x.oid = i.indexrelid
               LEFT JOIN pg_constraint con ON con.conindid = i.indexrelid AND con.contype IN ('p', 'u')
               WHERE i.indrelid = ANY(%s::regclass[]) ORDER BY 1, 2""",
            [list(tables)],
        )
        for table, name, made, constraint, kind, can_defer, is_deferred in cursor.fetchall():
            if _FULL.search(made) and not made.count(" WITH ("):
                off.indexes.append(_FULL.sub(r"\1\2\3 WITH (fillfactor = 100)\4", made))
                off.fillings.append(f'ALTER INDEX "{name}" RESET (fillfactor)')
            else:
                off.indexes.append(made)
            if constraint is None:
                cursor.execute(f'DROP INDEX "{name}"')
                continue
            word = "PRIMARY KEY" if kind == "p" else "UNIQUE"
            later = (" DEFERRABLE" if can_defer else "") + (" INITIALLY DEFERRED" if is_deferred else "")
            off.constraints.append(
                f'ALTER TABLE {table} ADD CONSTRAINT "{constraint}" {word} USING INDEX "{name}"{later}'
            )
            cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{constraint}"')
        for table in silenced:
            cursor.execute(f'ALTER TABLE "{table}" DISABLE TRIGGER USER')
            off.triggers.append(f'ALTER TABLE "{table}" ENABLE TRIGGER USER')
    return off


def put_back(off: Taken, say: Callable[[str], None], workers: int = 2) -> None:
    """Indexes, then keys, then their proof; the triggers in any case."""
    failures: list[BaseException] = []
    for words, statements, at_once in (
        ("triggers", off.triggers, 1),
        ("indexes", off.indexes, workers),
        ("constraints", off.constraints, 1),
        ("indexes that were filled to the brim", off.fillings, 1),
        ("foreign keys", off.foreign, 1),
        ("foreign keys to prove", off.proofs, workers),
    ):
        say(f"{len(statements)} {words}")
        failures += run_all(statements, at_once)
    if failures:
        raise failures[0]


def run_all(statements: Iterable[str], workers: int) -> list[BaseException]:
    """Each statement in a transaction of its own, so many at a time; a failure leaves the others to be done."""
    waiting: queue.SimpleQueue[str] = queue.SimpleQueue()
    for statement in statements:
        waiting.put(statement)
    failures: list[BaseException] = []

    def work() -> None:
        with session() as cursor:
            while True:
                try:
                    statement = waiting.get_nowait()
                except queue.Empty:
                    return
                try:
                    cursor.execute(statement)
                except Exception as error:  # the others are put back nevertheless
                    failures.append(error)

    threads = [threading.Thread(target=work) for _ in range(workers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return failures


class session:
    """A connection of its own with a cursor, for one thread."""

    def __enter__(self) -> Any:
        import psycopg

        held = connection.settings_dict
        self.raw = psycopg.connect(
            dbname=held["NAME"],
            user=held["USER"] or None,
            password=held["PASSWORD"] or None,
            host=held["HOST"] or None,
            port=held["PORT"] or None,
            autocommit=True,
        )
        self.cursor = self.raw.cursor()
        for statement in _BUILDING:
            self.cursor.execute(statement)
        return self.cursor

    def __exit__(self, *_: object) -> None:
        self.cursor.close()
        self.raw.close()


class Loader:
    """Copies blocks of rows into tables over so many connections; a block is held until one is free."""

    def __init__(self, columns: dict[str, str], workers: int = 2) -> None:
        """``columns``: table -> its columns as COPY names them."""
        self.columns = columns
        self.waiting: queue.Queue[tuple[str, list[Any]] | None] = queue.Queue(maxsize=4)
        self.failures: list[BaseException] = []
        self.bytes = 0
        self.threads = [threading.Thread(target=self._work, daemon=True) for _ in range(workers)]
        for thread in self.threads:
            thread.start()

    def give(self, table: str, blocks: list[Any]) -> None:
        if self.failures:
            self.end()
        self.waiting.put((table, blocks))

    def end(self) -> None:
        """Wait until all is written. Raises the first failure."""
        for _ in self.threads:
            self.waiting.put(None)
        for thread in self.threads:
            thread.join()
        if self.failures:
            raise self.failures[0]

    def _work(self) -> None:
        with session() as cursor:
            try:
                cursor.execute(_COPYING)
            except Exception as error:  # a server that was built without it: the ordinary way
                log.info("no lz4: %s", error)
            while (job := self.waiting.get()) is not None:
                if self.failures:
                    continue
                table, blocks = job
                try:
                    with cursor.copy(f'COPY "{table}" ({self.columns[table]}) FROM STDIN (FORMAT BINARY)') as copy:
                        copy.write(HEADER)
                        for block in blocks:
                            copy.write(block)
                            self.bytes += len(block)
                        copy.write(TRAILER)
                except Exception as error:  # told to the one who gives
                    self.failures.append(error)
