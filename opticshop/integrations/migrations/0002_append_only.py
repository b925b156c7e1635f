"""An event keeps its place in the feed."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("integrations", "0001_initial")]

    operations = [append_only("integrations_feedentry")]
