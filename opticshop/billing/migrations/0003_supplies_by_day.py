from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("billing", "0002_append_only")]

    operations = [
        AddLiveIndex(
            model_name="supply",
            index=models.Index(
                fields=["branch", "supplied_on"],
                name="billing_supply_day",
            ),
        ),
    ]
