import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0008_clients_become_service_accounts'),
    ]

    operations = [
        migrations.CreateModel(
            name='OperatorPin',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('secret', models.CharField(help_text='Hashed as passwords are', max_length=255)),
                ('user', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='operator_pin', to=settings.AUTH_USER_MODEL)),
            ],
        ),
    ]
