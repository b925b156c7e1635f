from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("workshop", "0002_jobs_by_day_of_packing")]

    operations = [
        AddLiveIndex(
            model_name="job",
            index=models.Index(
                condition=models.Q(("state__in", ("waiting", "open", "stopped", "inspected"))),
                fields=["branch", "promised_on", "id"],
                name="workshop_job_live",
            ),
        ),
    ]
