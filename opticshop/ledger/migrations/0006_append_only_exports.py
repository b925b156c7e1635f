"""What was handed out stays handed out."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("ledger", "0005_exports")]

    operations = [append_only("ledger_entryposition", "ledger_journalexport")]
