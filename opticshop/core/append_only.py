"""Tables the database itself refuses to change: what a ledger, a check or an advice said stays said.

Every UPDATE and DELETE of a row is refused by a trigger. Emptying whole tables (TRUNCATE on PostgreSQL, dropping the
file on SQLite) belongs to the owner of the database and is not guarded.

Used by migrations: ``operations = [append_only("stock_movement")]``. On SQLite a later migration that alters such a
table rebuilds it and loses its triggers; it must begin with ``lifted(table)`` and end with ``append_only(table)`` for
it. What is written here is what landed migrations ran: add, do not change.

``opened`` is for the one thing that may take rows away: their time of keeping is over.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from django.db import connection, transaction

from .statements import Statements as Statements  # landed migrations take it from here

VENDORS = ("postgresql", "sqlite")


def seal_statements(table: str, vendor: str) -> list[str]:
    """What makes the table append-only."""
    if vendor == "postgresql":
        return [
            f"""
            CREATE FUNCTION {table}_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN
                RAISE EXCEPTION '{table} is append-only: % refused', TG_OP USING ERRCODE = 'restrict_violation';
            END
            $$
            """,
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION {table}_refuse()",
        ]
    return [
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: {verb} refused'); END"
        for verb in ("UPDATE", "DELETE")
    ]


def unseal_statements(table: str, vendor: str) -> list[str]:
    """What takes that back."""
    if vendor == "postgresql":
        return [f"DROP TRIGGER {table}_append_only ON {table}", f"DROP FUNCTION {table}_refuse()"]
    return [f"DROP TRIGGER {table}_no_{verb}" for verb in ("update", "delete")]


def append_only(*tables: str) -> Statements:
    """The operation that seals the tables; undone, it lifts the seals."""
    return Statements(_of(tables, seal_statements), _of(tables, unseal_statements))


def lifted(*tables: str) -> Statements:
    """The operation that lifts the seals; undone, it seals again."""
    return Statements(_of(tables, unseal_statements), _of(tables, seal_statements))


def _of(tables: Sequence[str], statements: Any) -> dict[str, list[str]]:
    return {vendor: [text for table in tables for text in statements(table, vendor)] for vendor in VENDORS}


def sealed_tables() -> frozenset[str]:
    """The tables whose rows the database refuses to change or delete, as it is now."""
    if connection.vendor == "postgresql":
        query, end = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled IN ('O', 'A')", "_append_only"
    else:
        query, end = "SELECT name FROM sqlite_master WHERE type = 'trigger'", "_no_delete"
    with connection.cursor() as cursor:
        cursor.execute(query)
        return frozenset(name.removesuffix(end) for (name,) in cursor.fetchall() if name.endswith(end))


def may_open() -> bool:
    """Whether who signs in to the database owns its tables; on PostgreSQL the service may do without."""
    if connection.vendor != "postgresql":
        return True
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_has_role(relowner, 'USAGE') FROM pg_class "
            "WHERE relname = 'core_outboxevent' AND relnamespace = current_schema()::regnamespace"
        )
        found = cursor.fetchone()
    return bool(found and found[0])


@contextmanager
def opened(tables: Collection[str]) -> Iterator[None]:
    """The seals of the tables are lifted within the transaction, and are back before it ends. For the owner only.

    Other writers of these tables wait. PostgreSQL alters no table while checks of its rows are put off to the end of
    the transaction, so they are made at once.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("seals are lifted inside a transaction")
    names = sorted(tables)
    _execute(_lifting(names, "DISABLE", unseal_statements))
    yield
    _execute(_lifting(names, "ENABLE", seal_statements))


def _lifting(tables: Sequence[str], word: str, on_sqlite: Any) -> list[str]:
    if connection.vendor == "postgresql":
        altered = [f"ALTER TABLE {table} {word} TRIGGER {table}_append_only" for table in tables]
        return ["SET CONSTRAINTS ALL IMMEDIATE", *altered, "SET CONSTRAINTS ALL DEFERRED"] if altered else []
    return [text for table in tables for text in on_sqlite(table, connection.vendor)]


def _execute(statements: Sequence[str]) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
