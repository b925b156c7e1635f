from django.db import migrations, models

from opticshop.core.live_schema import AddLiveIndex


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("customers", "0005_index_words_of_names")]

    operations = [
        AddLiveIndex(
            model_name="customer",
            index=models.Index(fields=["birth_date", "search_family", "search_given"], name="customers_birth_names"),
        ),
    ]
