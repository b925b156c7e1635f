"""What is booked, and what was handed out of it, cannot be rewritten."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("ledger", "0002_chart")]

    operations = [append_only("ledger_entry", "ledger_line", "ledger_entryposition", "ledger_journalexport")]
