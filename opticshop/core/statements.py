"""A migration operation of plain SQL, by vendor of the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation


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
