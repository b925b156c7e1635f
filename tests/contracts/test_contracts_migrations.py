"""Migrations run backwards as well as forwards, and lead to what the models say."""

from __future__ import annotations

import re
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection

KEPT = ("django_", "auth_", "oauth2_provider_", "sqlite_")


@pytest.mark.django_db
def test_models_and_migrations_agree():
    call_command("makemigrations", check=True, dry_run=True, stdout=StringIO())


@pytest.mark.skipif(
    connection.vendor == "sqlite",
    reason="There test_contracts_upgrade does it, from an installation that the landed migrations made",
)
@pytest.mark.django_db(transaction=True)
def test_every_migration_can_be_undone_and_done_again_and_makes_what_the_models_say():
    """The tables of the tests are made from the models (``tests.quick_schema``). Here the branches are taken down
    with all that stands on them, and everything is built up again by the migrations: nothing differs."""
    from_models = schema()
    try:
        call_command("migrate", "branches", "zero", verbosity=0)
        left = connection.introspection.table_names()
        assert not [name for name in left if name.startswith(("branches_", "stock_", "orders_", "workshop_"))]
    finally:
        call_command("migrate", verbosity=0)
    from_migrations = schema()
    assert from_migrations.keys() == from_models.keys()
    for name, made in from_models.items():
        assert from_migrations[name] == made, name


def schema() -> dict[str, Any]:
    """What the database says of itself, in an order that does not depend on when a column came."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            return _said(cursor, POSTGRESQL)
        cursor.execute("SELECT type || ' ' || name, sql FROM sqlite_master WHERE sql IS NOT NULL")
        return {
            name: None if "_audited_" in name else _parts(sql)  # those name the columns in the order they came
            for name, sql in cursor.fetchall()
            if not name.split()[1].startswith(KEPT)
        }


def _said(cursor: Any, queries: tuple[str, ...]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for query in queries:
        cursor.execute(query)
        found |= {name: _read_again(said) for name, said in cursor.fetchall() if not name.split()[1].startswith(KEPT)}
    return found


#: ``(ARRAY['a'::character varying, ...])::text[]``
_ARRAY = re.compile(r"\(ARRAY\[((?:'[^']*'::character varying(?:, )?)+)\]\)::text\[\]")


def _read_again(said: str) -> str:
    """As PostgreSQL writes it once it has read what it wrote: it casts each value of an array, not the array. An index
    that was made anew from its own words, as the press of the generator does it, is told in that way."""
    return _ARRAY.sub(
        lambda found: "ARRAY[" + re.sub(r"('[^']*'::character varying)", r"(\1)::text", found[1]) + "]", said
    )


def test_an_index_made_anew_from_its_own_words_reads_as_before():
    before = "WHERE ((state)::text = ANY ((ARRAY['draft'::character varying, 'sent'::character varying])::text[]))"
    after = "WHERE ((state)::text = ANY (ARRAY[('draft'::character varying)::text, ('sent'::character varying)::text]))"
    assert _read_again(before) == after == _read_again(after)


def _parts(sql: str) -> list[str]:
    """The definition taken apart at the commas that stand in no brackets."""
    if not sql.startswith("CREATE TABLE"):
        return [" ".join(sql.split())]
    parts, depth, part = [], 0, ""
    for letter in re.sub(r"\s+", " ", sql[sql.index("(") + 1 : sql.rindex(")")]):
        depth += {"(": 1, ")": -1}.get(letter, 0)
        if letter == "," and not depth:
            parts.append(part.strip())
            part = ""
        else:
            part += letter
    return sorted([*parts, part.strip()])


POSTGRESQL = (
    """SELECT 'column ' || table_name || '.' || column_name, data_type || coalesce(character_maximum_length::text, '')
              || is_nullable || coalesce(column_default, '') || coalesce(numeric_precision::text, '')
       FROM information_schema.columns WHERE table_schema = 'public'""",
    "SELECT 'index ' || indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
    """SELECT 'constraint ' || conrelid::regclass || '.' || conname, pg_get_constraintdef(oid)
       FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND conrelid <> 0 AND conparentid = 0""",
    """SELECT 'trigger ' || tgrelid::regclass || '.' || tgname, pg_get_triggerdef(oid)
       FROM pg_trigger WHERE NOT tgisinternal""",
)
