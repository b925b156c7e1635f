"""A run, its lines and what was accepted of them cannot be rewritten."""

from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("replenishment", "0001_initial")]

    operations = [append_only("replenishment_replenishmentrun", "replenishment_replenishmentrun_branches", "replenishment_replenishmentrun_lenses", "replenishment_replenishmentline", "replenishment_acceptance")]
