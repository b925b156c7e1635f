from django.db import migrations

from opticshop.core.live_schema import RemoveLiveIndex


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("customers", "0006_names_by_birth_date")]

    operations = [RemoveLiveIndex(model_name="customer", name="customers_birth_name")]
