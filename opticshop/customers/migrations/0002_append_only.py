from django.db import migrations

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):
    dependencies = [("customers", "0001_initial")]

    operations = [append_only("customers_consentchange", "customers_statuschange")]
