from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    """An erasure reads the rows that were not taken over; how many were taken over is nothing to it."""

    atomic = False

    dependencies = [("imports", "0001_initial")]

    operations = [
        AddLiveIndex(
            model_name="importrow",
            index=models.Index(
                fields=["id"],
                name="imports_row_unsettled",
                condition=models.Q(("state", "done"), _negated=True),
            ),
        ),
    ]
