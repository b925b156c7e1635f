"""What was in tolerance at a check stays on record."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("instruments", "0001_initial")]

    operations = [append_only("instruments_checkreading")]
