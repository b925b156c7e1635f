"""Tables the database itself refuses to change: what a ledger, a check or an advice said stays said.

Every UPDATE and DELETE of a row is refused by a trigger. Emptying whole tables (TRUNCATE on PostgreSQL, dropping the
file on SQLite) belongs to the owner of the database and is not guarded.

Used by migrations: ``operations = [append_only("stock_movement")]``. On SQLite a later migration that alters such a
table rebuilds it and loses its triggers; it must begin with ``lifted(table)`` and end with ``append_only(table)`` for
it. What is written here is what landed migrations ran: add, do not change.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

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
