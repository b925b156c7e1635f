import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):

    dependencies = [
        ("customers", "0003_consents_and_merges"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="StatusChange",
            fields=[
                ("id", models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("created_at", models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ("what", models.CharField(choices=[("deceased_on", "Deceased On"), ("moved_away_on", "Moved Away On")], max_length=20)),
                ("was", models.DateField(null=True)),
                ("now", models.DateField(null=True)),
                ("reason", models.CharField(blank=True, max_length=300)),
                ("changed_by_label", models.CharField(max_length=200)),
                ("changed_by", models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL)),
                ("customer", models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name="status_changes", to="customers.customer")),
            ],
            options={
                "abstract": False,
                "base_manager_name": "unscoped",
                "default_manager_name": "unscoped",
                "indexes": [models.Index(fields=["customer", "-id"], name="customers_status_newest")],
                "constraints": [models.CheckConstraint(condition=models.Q(("what__in", ["deceased_on", "moved_away_on"])), name="customers_status_what_known")],
            },
            managers=[
                ("unscoped", django.db.models.manager.Manager()),
            ],
        ),
        append_only("customers_statuschange"),
    ]
