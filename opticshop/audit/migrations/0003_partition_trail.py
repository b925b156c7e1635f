"""Entries and reads of the trail lie in a partition for each month (PostgreSQL); each month has its block of keys."""

from django.db import migrations

from opticshop.core.partitions import partition


class Migration(migrations.Migration):
    atomic = False  # the old rows are looked at beside readers and writers

    dependencies = [("audit", "0002_append_only")]

    operations = [
        partition("audit_auditentry", counted=True, guarded=True),
        partition("audit_auditread", counted=True, guarded=True),
    ]
