"""The database itself refuses to change or delete a check reading: what was in tolerance then stays on record.

Emptying whole tables (TRUNCATE on PostgreSQL, dropping the file on SQLite) belongs to the owner of the database and
is not guarded. On SQLite, a later migration that alters instruments_checkreading rebuilds the table and loses its
triggers; such a migration must put them back with ``seal``.
"""

from django.db import migrations

SEAL = {
    "postgresql": [
        """
        CREATE FUNCTION instruments_checkreading_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION 'instruments_checkreading is append-only: % refused', TG_OP
                USING ERRCODE = 'restrict_violation';
        END
        $$
        """,
        """
        CREATE TRIGGER instruments_checkreading_append_only BEFORE UPDATE OR DELETE ON instruments_checkreading
        FOR EACH ROW EXECUTE FUNCTION instruments_checkreading_refuse()
        """,
    ],
    "sqlite": [
        f"""
        CREATE TRIGGER instruments_checkreading_no_{verb.lower()} BEFORE {verb} ON instruments_checkreading
        BEGIN SELECT RAISE(ABORT, 'instruments_checkreading is append-only: {verb} refused'); END
        """
        for verb in ("UPDATE", "DELETE")
    ],
}

UNSEAL = {
    "postgresql": [
        "DROP TRIGGER instruments_checkreading_append_only ON instruments_checkreading",
        "DROP FUNCTION instruments_checkreading_refuse()",
    ],
    "sqlite": [
        "DROP TRIGGER instruments_checkreading_no_update",
        "DROP TRIGGER instruments_checkreading_no_delete",
    ],
}


def seal(apps, schema_editor):
    for statement in SEAL[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


def unseal(apps, schema_editor):
    for statement in UNSEAL[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


class Migration(migrations.Migration):
    dependencies = [("instruments", "0001_initial")]

    operations = [migrations.RunPython(seal, unseal)]
