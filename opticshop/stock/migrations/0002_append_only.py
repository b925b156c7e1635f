"""The stock ledger, and the changes of what is on order, cannot be rewritten."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("stock", "0001_initial")]

    operations = [append_only("stock_movement", "stock_expectedchange")]
