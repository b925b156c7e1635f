"""Changes of tables that are in use, so that on PostgreSQL nobody who writes has to wait while the rows are read.

Each stands in a migration with ``atomic = False``: its statements commit one by one.
"""

from __future__ import annotations

from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations import AddConstraint, AddIndex
from django.db.migrations.state import ProjectState


class AddLiveIndex(AddIndex):
    """CREATE INDEX CONCURRENTLY. Where it was broken off, PostgreSQL keeps an invalid index of that name: drop it, then
    migrate again.
    """

    atomic = False

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return super().database_forwards(app_label, schema_editor, from_state, to_state)
        return self._concurrently("add_index", app_label, schema_editor, to_state, self.index)

    def database_backwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return super().database_backwards(app_label, schema_editor, from_state, to_state)
        return self._concurrently("remove_index", app_label, schema_editor, from_state, self.index)

    def _concurrently(self, what: str, app_label: str, editor: Any, state: ProjectState, index: Any) -> None:
        model = state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(editor.connection.alias, model):
            getattr(editor, what)(model, index, concurrently=True)


class AddLiveCheck(AddConstraint):
    """A check that new rows are held to at once, and that is then proved of the old ones without a lock that waits."""

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return super().database_forwards(app_label, schema_editor, from_state, to_state)
        model = to_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            statement = self.constraint.create_sql(model, schema_editor)
            schema_editor.execute(f"{statement} NOT VALID", params=None)
            table, name = map(schema_editor.quote_name, (model._meta.db_table, self.constraint.name))
            schema_editor.execute(f"ALTER TABLE {table} VALIDATE CONSTRAINT {name}")
        return None
