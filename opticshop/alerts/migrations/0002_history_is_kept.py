"""The history of an alert cannot be rewritten."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("alerts", "0001_initial")]

    operations = [append_only("alerts_alertstep")]
