from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("orders", "0002_orders_by_day_of_collection")]

    operations = [
        AddLiveIndex(
            model_name="order",
            index=models.Index(
                fields=["branch", "placed_at"],
                name="orders_branch_placed",
            ),
        ),
    ]
