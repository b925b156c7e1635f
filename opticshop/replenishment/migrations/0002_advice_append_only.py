"""The database itself refuses to change or delete a run, its lines and what was accepted of them.

Emptying whole tables belongs to the owner of the database and is not guarded. On SQLite, a later migration that alters
one of these tables rebuilds it and loses its triggers; such a migration must put them back with ``seal``.
"""

from django.db import migrations

TABLES = (
    "replenishment_replenishmentrun",
    "replenishment_replenishmentrun_branches",
    "replenishment_replenishmentrun_lenses",
    "replenishment_replenishmentline",
    "replenishment_acceptance",
)

FUNCTION = """
CREATE FUNCTION replenishment_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'restrict_violation';
END
$$
"""


def seal(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute(FUNCTION, params=None)
        for table in TABLES:
            schema_editor.execute(
                f"CREATE TRIGGER {table}_sealed BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH ROW EXECUTE FUNCTION replenishment_refuse()",
                params=None,
            )
        return
    for table in TABLES:
        for verb in ("UPDATE", "DELETE"):
            schema_editor.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: {verb} refused'); END",
                params=None,
            )


def unseal(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        for table in TABLES:
            schema_editor.execute(f"DROP TRIGGER {table}_sealed ON {table}", params=None)
        schema_editor.execute("DROP FUNCTION replenishment_refuse()", params=None)
        return
    for table in TABLES:
        for verb in ("update", "delete"):
            schema_editor.execute(f"DROP TRIGGER {table}_no_{verb}", params=None)


class Migration(migrations.Migration):
    dependencies = [("replenishment", "0001_initial")]

    operations = [migrations.RunPython(seal, unseal)]
