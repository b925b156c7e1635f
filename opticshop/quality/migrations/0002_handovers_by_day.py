from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("quality", "0001_initial")]

    operations = [
        AddLiveIndex(
            model_name="handover",
            index=models.Index(
                fields=["branch", "handed_over_at"],
                name="quality_handover_day",
            ),
        ),
    ]
