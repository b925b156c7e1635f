from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("workshop", "0001_initial")]

    operations = [
        AddLiveIndex(
            model_name="job",
            index=models.Index(
                condition=models.Q(("finished_at__isnull", False)),
                fields=["branch", "finished_at"],
                name="workshop_job_finished",
            ),
        ),
    ]
