from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("core", "0003_events_of_requests")]

    operations = [
        AddLiveIndex(
            model_name="eventdelivery",
            index=models.Index(
                fields=["handler", "id"],
                condition=models.Q(state="dead"),
                name="core_delivery_dead",
            ),
        ),
    ]
