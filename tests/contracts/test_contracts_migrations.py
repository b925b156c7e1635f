"""Migrations run backwards as well as forwards, and models and migrations agree."""

from __future__ import annotations

from io import StringIO

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import connection

OURS = [config.label for config in apps.get_app_configs() if config.name.startswith("opticshop.")]


@pytest.mark.django_db
def test_models_and_migrations_agree():
    call_command("makemigrations", check=True, dry_run=True, stdout=StringIO())


@pytest.mark.django_db(transaction=True)
def test_every_migration_can_be_undone_and_done_again():
    """One app is taken down to nothing with all that stands on it, then everything is built up again."""
    try:
        call_command("migrate", "catalogue", "zero", verbosity=0)
        tables = connection.introspection.table_names()
        assert not [name for name in tables if name.startswith(("catalogue_", "stock_", "orders_", "workshop_"))]
    finally:
        call_command("migrate", verbosity=0)
    assert "stock_movement" in connection.introspection.table_names()
    assert set(OURS) >= {"stock", "orders"}
