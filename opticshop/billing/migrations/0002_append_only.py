"""Money that was taken or given back, and the papers that say so, cannot be rewritten."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("billing", "0001_initial")]

    operations = [append_only("billing_payment", "billing_receipt", "billing_tillentry", "billing_supply", "billing_settlement", "billing_invoice")]
