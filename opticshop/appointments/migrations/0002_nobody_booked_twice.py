"""On PostgreSQL nobody can be booked twice at once: not the customer, not who sees them.

The constraints need the extension btree_gist (trusted since PostgreSQL 13: the owner of a database may create it).
Where it may not be created they are left out, and the check under locks in ``services.booking`` stands alone, as on
SQLite, where one transaction writes at a time.
"""

from django.db import migrations

from opticshop.core.append_only import Statements

TABLE = "appointments_appointment"
COLUMNS = {"appointments_customer_once": "customer_id", "appointments_seen_by_once": "seen_by_id"}
ADDED = "; ".join(
    f"ALTER TABLE {TABLE} ADD CONSTRAINT {name} EXCLUDE USING gist "
    f"({column} WITH =, tstzrange(starts_at, ends_at) WITH &&) WHERE (state IN ('booked', 'arrived', 'attended'))"
    for name, column in COLUMNS.items()
)
FORWARDS = f"""
DO $$
BEGIN
    CREATE EXTENSION IF NOT EXISTS btree_gist;
    {ADDED};
EXCEPTION WHEN insufficient_privilege OR undefined_file OR feature_not_supported THEN
    RAISE NOTICE 'btree_gist may not be created here: bookings are kept apart by locks alone';
END
$$
"""
BACKWARDS = [f"ALTER TABLE {TABLE} DROP CONSTRAINT IF EXISTS {name}" for name in COLUMNS]


class Migration(migrations.Migration):
    dependencies = [("appointments", "0001_initial")]

    operations = [Statements({"postgresql": [FORWARDS]}, {"postgresql": BACKWARDS})]
