"""Tables the database itself refuses to change: what a ledger, a check or an advice said stays said.

Every UPDATE and DELETE of a row is refused by a trigger. Emptying whole tables (TRUNCATE on PostgreSQL, dropping the
file on SQLite) belongs to the owner of the database and is not guarded.

Used by migrations: ``operations = [append_only("stock_movement")]``. On SQLite a later migration that alters such a
table rebuilds it and loses its triggers; it must begin with ``lifted(table)`` and end with ``append_only(table)`` for
it. What is written here is what landed migrations ran: add, do not change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation

VENDORS = ("postgresql", "sqlite")


class Statements(Operation):
    """SQL by vendor of the database; a vendor that is not named has nothing to do. Unlike RunPython it asks for no
    models, which would all have to be made first."""

    reduces_to_sql = True
    reversible = True

    def __init__(self, forwards: Mapping[str, Sequence[str]], backwards: Mapping[str, Sequence[str]]) -> None:
        self.forwards, self.backwards = forwards, backwards

    def state_forwards(self, app_label: str, state: Any) -> None:
        """Models are as before."""

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: Any, to_state: Any
    ) -> None:
        for statement in self.forwards.get(schema_editor.connection.vendor, ()):
            schema_editor.execute(statement, params=None)

    def database_backwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: Any, to_state: Any
    ) -> None:
        for statement in self.backwards.get(schema_editor.connection.vendor, ()):
            schema_editor.execute(statement, params=None)

    def describe(self) -> str:
        return "SQL of the database itself"


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
