"""The test database is made from the models, which takes seconds where the migrations take half a minute.

What migrations do besides making tables (triggers, functions, first rows) is done after them from the same migrations.
``tests/contracts`` holds that both ways lead to the same schema.
"""

from __future__ import annotations

from django.apps import apps
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations import RunPython, RunSQL
from django.db.migrations.recorder import MigrationRecorder

from opticshop.core.statements import Statements


def finish() -> None:
    """Do what the tables alone do not have, and record every migration as applied. Once for each database."""
    recorder = MigrationRecorder(connection)
    if recorder.applied_migrations():
        return  # kept from an earlier run
    loader = MigrationLoader(None)
    recorder.ensure_schema()
    for key in dict.fromkeys(each for leaf in loader.graph.leaf_nodes() for each in loader.graph.forwards_plan(leaf)):
        for operation in loader.graph.nodes[key].operations:
            if isinstance(operation, Statements | RunSQL):
                with connection.schema_editor(atomic=loader.graph.nodes[key].atomic) as editor:
                    operation.database_forwards(key[0], editor, None, None)
            elif isinstance(operation, RunPython) and key[0] in OURS:
                with connection.schema_editor() as editor:
                    operation.code(apps, editor)
        recorder.record_applied(*key)


OURS = frozenset(config.label for config in apps.get_app_configs() if config.name.startswith("opticshop."))
