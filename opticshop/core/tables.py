"""A migration operation that makes several tables at once.

After each table Django makes every model that is related to it anew, which with a hundred tables takes most of the time
of a first ``migrate``. Here that happens once for all tables of one migration.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations import CreateModel
from django.db.migrations.operations.base import Operation


class Tables(Operation):
    """``CreateModel`` for each, in the order of their references; undone in the reverse order."""

    reduces_to_sql = True
    reversible = True
    atomic = True

    def __init__(self, models: Sequence[CreateModel]) -> None:
        self.models = models

    def state_forwards(self, app_label: str, state: Any) -> None:
        made = state.__dict__.pop("apps", None)
        for model in self.models:
            model.state_forwards(app_label, state)
        if made is not None:
            state.__dict__["apps"] = made
            state.reload_models([(app_label, model.name_lower) for model in self.models], delay=False)

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: Any, to_state: Any
    ) -> None:
        for model in self.models:
            model.database_forwards(app_label, schema_editor, from_state, to_state)

    def database_backwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: Any, to_state: Any
    ) -> None:
        for model in reversed(self.models):
            model.database_backwards(app_label, schema_editor, from_state, to_state)

    def describe(self) -> str:
        return f"Create tables: {', '.join(model.name for model in self.models)}"
