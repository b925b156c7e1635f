"""The history of a request cannot be rewritten."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("privacy", "0001_privacy_tables")]

    operations = [append_only("privacy_privacystep")]
