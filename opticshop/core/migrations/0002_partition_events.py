"""Events lie in a partition for each month (PostgreSQL); their key, a UUID of version 7, says which."""

from django.db import migrations

from opticshop.core.partitions import partition


class Migration(migrations.Migration):
    atomic = False  # the old rows are looked at beside readers and writers

    dependencies = [("core", "0001_initial")]

    operations = [partition("core_outboxevent", counted=False)]
