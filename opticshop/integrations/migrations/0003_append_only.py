"""The feed cannot be rewritten: a place once given stays given."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("integrations", "0002_place_earlier_events")]

    operations = [append_only("integrations_feedentry")]
