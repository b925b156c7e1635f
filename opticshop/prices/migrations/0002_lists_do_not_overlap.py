"""Lists of one scope share no day: an exclusion constraint on PostgreSQL. SQLite has none; it writes one at a time."""

from django.db import migrations

EXCLUDE = """
    ALTER TABLE prices_pricelist ADD CONSTRAINT prices_lists_share_no_day EXCLUDE USING gist (
        COALESCE(branch_id, '00000000-0000-0000-0000-000000000000'::uuid) WITH =,
        currency WITH =,
        daterange(valid_from, valid_to, '[]') WITH &&
    )
"""


def exclude(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("CREATE EXTENSION IF NOT EXISTS btree_gist", params=None)
        schema_editor.execute(EXCLUDE, params=None)


def admit(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("ALTER TABLE prices_pricelist DROP CONSTRAINT prices_lists_share_no_day", params=None)


class Migration(migrations.Migration):
    dependencies = [("prices", "0001_initial")]

    operations = [migrations.RunPython(exclude, admit)]
