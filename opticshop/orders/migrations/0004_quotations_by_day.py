from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("orders", "0003_orders_by_day_of_order")]

    operations = [
        AddLiveIndex(
            model_name="quotation",
            index=models.Index(
                fields=["branch", "quoted_on"],
                name="orders_quotation_day",
            ),
        ),
    ]
