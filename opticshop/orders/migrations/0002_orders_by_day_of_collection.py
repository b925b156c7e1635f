from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("orders", "0001_initial")]

    operations = [
        AddLiveIndex(
            model_name="order",
            index=models.Index(
                condition=models.Q(("collected_at__isnull", False)),
                fields=["branch", "collected_at"],
                name="orders_branch_collected",
            ),
        ),
    ]
