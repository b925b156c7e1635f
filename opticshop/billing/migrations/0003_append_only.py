"""Seals what was said about money: payments, receipts, invoices, supplies, settlements, counts of tills."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("billing", "0002_till_days_supplies_invoices")]

    operations = [
        append_only(
            "billing_payment",
            "billing_receipt",
            "billing_tillentry",
            "billing_supply",
            "billing_settlement",
            "billing_invoice",
        )
    ]
