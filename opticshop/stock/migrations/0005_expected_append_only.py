"""The database itself refuses to change or delete a change of what is on order, as it does for the stock ledger."""

from django.db import migrations

SEAL = {
    "postgresql": [
        """
        CREATE FUNCTION stock_expectedchange_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION 'stock_expectedchange is append-only: % refused', TG_OP USING ERRCODE = 'restrict_violation';
        END
        $$
        """,
        """
        CREATE TRIGGER stock_expectedchange_append_only BEFORE UPDATE OR DELETE ON stock_expectedchange
        FOR EACH ROW EXECUTE FUNCTION stock_expectedchange_refuse()
        """,
    ],
    "sqlite": [
        f"""
        CREATE TRIGGER stock_expectedchange_no_{verb.lower()} BEFORE {verb} ON stock_expectedchange
        BEGIN SELECT RAISE(ABORT, 'stock_expectedchange is append-only: {verb} refused'); END
        """
        for verb in ("UPDATE", "DELETE")
    ],
}

UNSEAL = {
    "postgresql": [
        "DROP TRIGGER stock_expectedchange_append_only ON stock_expectedchange",
        "DROP FUNCTION stock_expectedchange_refuse()",
    ],
    "sqlite": ["DROP TRIGGER stock_expectedchange_no_update", "DROP TRIGGER stock_expectedchange_no_delete"],
}


def seal(apps, schema_editor):
    for statement in SEAL[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


def unseal(apps, schema_editor):
    for statement in UNSEAL[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


class Migration(migrations.Migration):
    dependencies = [("stock", "0004_further_movements")]

    operations = [migrations.RunPython(seal, unseal)]
