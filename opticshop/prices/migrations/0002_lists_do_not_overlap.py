"""Lists of one scope share no day: an exclusion constraint on PostgreSQL. SQLite has none; it writes one at a time."""

from django.db import migrations

from opticshop.core.append_only import Statements

EXCLUDE = """
    ALTER TABLE prices_pricelist ADD CONSTRAINT prices_lists_share_no_day EXCLUDE USING gist (
        COALESCE(branch_id, '00000000-0000-0000-0000-000000000000'::uuid) WITH =,
        currency WITH =,
        daterange(valid_from, valid_to, '[]') WITH &&
    )
"""


FORWARDS = ["CREATE EXTENSION IF NOT EXISTS btree_gist", EXCLUDE]
BACKWARDS = ["ALTER TABLE prices_pricelist DROP CONSTRAINT prices_lists_share_no_day"]


class Migration(migrations.Migration):
    dependencies = [("prices", "0001_initial")]

    operations = [Statements({"postgresql": FORWARDS}, {"postgresql": BACKWARDS})]
