"""Changes of tables that are in use, so that on PostgreSQL nobody who writes has to wait while the rows are read.

Each stands in a migration with ``atomic = False``: its statements commit one by one.
"""

from __future__ import annotations

from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations import AddConstraint, AddIndex, RemoveIndex
from django.db.migrations.state import ProjectState


def _concurrently(operation: Any, what: str, app_label: str, editor: Any, state: ProjectState, index: Any) -> None:
    model = state.apps.get_model(app_label, operation.model_name)
    if operation.allow_migrate_model(editor.connection.alias, model):
        getattr(editor, what)(model, index, concurrently=True)


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
        return _concurrently(self, "add_index", app_label, schema_editor, to_state, self.index)

    def database_backwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return super().database_backwards(app_label, schema_editor, from_state, to_state)
        return _concurrently(self, "remove_index", app_label, schema_editor, from_state, self.index)


class RemoveLiveIndex(RemoveIndex):
    """DROP INDEX CONCURRENTLY: it waits for those who read by the index, and nobody waits for it."""

    atomic = False

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return super().database_forwards(app_label, schema_editor, from_state, to_state)
        return _concurrently(
            self, "remove_index", app_label, schema_editor, from_state, self._in(app_label, from_state)
        )

    def database_backwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        if schema_editor.connection.vendor != "postgresql":
            return super().database_backwards(app_label, schema_editor, from_state, to_state)
        return _concurrently(self, "add_index", app_label, schema_editor, to_state, self._in(app_label, to_state))

    def _in(self, app_label: str, state: ProjectState) -> Any:
        return state.models[app_label, self.model_name_lower].get_index_by_name(self.name)


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
