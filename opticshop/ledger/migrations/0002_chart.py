"""The chart of accounts as it stands when this runs; rows that come to it later are made when first posted to."""

from django.db import migrations

from opticshop.ledger.chart import CHART


def lay_out(apps, schema_editor):
    Account = apps.get_model("ledger", "Account")
    Account.objects.bulk_create([Account(**row._asdict()) for row in CHART], ignore_conflicts=True)


class Migration(migrations.Migration):
    dependencies = [("ledger", "0001_initial")]

    operations = [migrations.RunPython(lay_out, migrations.RunPython.noop)]
