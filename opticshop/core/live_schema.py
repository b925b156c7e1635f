"""Changes of tables that are in use, so that on PostgreSQL nobody who writes has to wait while the rows are read.

Each stands in a migration with ``atomic = False``: its statements commit one by one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations import AddConstraint, AddIndex, RemoveIndex
from django.db.migrations.state import ProjectState


class _Live:
    """Of an operation on an index: on PostgreSQL CONCURRENTLY, in both directions."""

    atomic = False
    #: What it does forwards to the index.
    adds: bool
    _index: Callable[[str, ProjectState], Any]

    def database_forwards(self, label: str, editor: Any, from_state: ProjectState, to_state: ProjectState) -> None:
        if editor.connection.vendor == "postgresql":
            return self._change(label, editor, from_state, to_state, adds=self.adds)
        super().database_forwards(label, editor, from_state, to_state)  # type: ignore[misc]
        return None

    def database_backwards(self, label: str, editor: Any, from_state: ProjectState, to_state: ProjectState) -> None:
        if editor.connection.vendor == "postgresql":
            return self._change(label, editor, from_state, to_state, adds=not self.adds)
        super().database_backwards(label, editor, from_state, to_state)  # type: ignore[misc]
        return None

    def _change(self, label: str, editor: Any, before: ProjectState, after: ProjectState, *, adds: bool) -> None:
        state = after if adds else before  # that in which there is the index
        model = state.apps.get_model(label, self.model_name)  # type: ignore[attr-defined]
        if self.allow_migrate_model(editor.connection.alias, model):  # type: ignore[attr-defined]
            change = editor.add_index if adds else editor.remove_index
            change(model, self._index(label, state), concurrently=True)


class AddLiveIndex(_Live, AddIndex):
    """CREATE INDEX CONCURRENTLY. Where it was broken off, PostgreSQL keeps an invalid index of that name: drop it, then
    migrate again.
    """

    adds = True

    def _index(self, label: str, state: ProjectState) -> Any:
        return self.index


class RemoveLiveIndex(_Live, RemoveIndex):
    """DROP INDEX CONCURRENTLY: it waits for those who read by the index, and nobody waits for it."""

    adds = False

    def _index(self, label: str, state: ProjectState) -> Any:
        return state.models[label, self.model_name_lower].get_index_by_name(self.name)


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
