"""Tables the database itself refuses to change: what a ledger, a check or an advice said stays said.

Every UPDATE and DELETE of a row is refused by a trigger. Emptying whole tables (TRUNCATE on PostgreSQL, dropping the
file on SQLite) belongs to the owner of the database and is not guarded.

Used by migrations: ``operations = [append_only("stock_movement")]``. On SQLite a later migration that alters such a
table rebuilds it and loses its triggers; it must begin with ``RunPython(nothing, seal)`` and end with
``RunPython(seal, nothing)`` for that table. What is written here is what landed migrations ran: add, do not change.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations import RunPython


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


def seal(apps: Any, schema_editor: BaseDatabaseSchemaEditor, *, tables: tuple[str, ...]) -> None:
    """For RunPython, with ``tables`` bound."""
    for table in tables:
        for statement in seal_statements(table, schema_editor.connection.vendor):
            schema_editor.execute(statement, params=None)


def unseal(apps: Any, schema_editor: BaseDatabaseSchemaEditor, *, tables: tuple[str, ...]) -> None:
    """For RunPython, with ``tables`` bound."""
    for table in tables:
        for statement in unseal_statements(table, schema_editor.connection.vendor):
            schema_editor.execute(statement, params=None)


def append_only(*tables: str) -> RunPython:
    """The operation that seals the tables; undone, it lifts the seals."""
    return RunPython(partial(seal, tables=tables), partial(unseal, tables=tables))
