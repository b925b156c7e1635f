"""The database itself refuses to change or delete a line of the stock ledger.

Emptying whole tables (TRUNCATE on PostgreSQL, dropping the file on SQLite) belongs to the owner of the database and
is not guarded. On SQLite, a later migration that alters stock_movement rebuilds the table and loses its triggers;
such a migration must put them back with ``seal``.
"""

from django.db import migrations

SEAL = {
    "postgresql": [
        """
        CREATE FUNCTION stock_movement_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION 'stock_movement is append-only: % refused', TG_OP USING ERRCODE = 'restrict_violation';
        END
        $$
        """,
        """
        CREATE TRIGGER stock_movement_append_only BEFORE UPDATE OR DELETE ON stock_movement
        FOR EACH ROW EXECUTE FUNCTION stock_movement_refuse()
        """,
    ],
    "sqlite": [
        f"""
        CREATE TRIGGER stock_movement_no_{verb.lower()} BEFORE {verb} ON stock_movement
        BEGIN SELECT RAISE(ABORT, 'stock_movement is append-only: {verb} refused'); END
        """
        for verb in ("UPDATE", "DELETE")
    ],
}

UNSEAL = {
    "postgresql": [
        "DROP TRIGGER stock_movement_append_only ON stock_movement",
        "DROP FUNCTION stock_movement_refuse()",
    ],
    "sqlite": ["DROP TRIGGER stock_movement_no_update", "DROP TRIGGER stock_movement_no_delete"],
}


def seal(apps, schema_editor):
    for statement in SEAL[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


def unseal(apps, schema_editor):
    for statement in UNSEAL[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


class Migration(migrations.Migration):
    dependencies = [("stock", "0001_initial")]

    operations = [migrations.RunPython(seal, unseal)]
