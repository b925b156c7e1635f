import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0004_people_are_invited'),
    ]

    operations = [
        migrations.CreateModel(
            name='RecoveryCode',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('secret_digest', models.CharField(max_length=64)),
                ('used_at', models.DateTimeField(null=True)),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='recovery_codes', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('user', 'secret_digest'), name='accounts_recovery_code_once')],
            },
        ),
        migrations.CreateModel(
            name='SecondFactor',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('sealed_key', models.CharField(max_length=255)),
                ('confirmed_at', models.DateTimeField(help_text='Since when codes are asked for: a first one was right', null=True)),
                ('used_step', models.BigIntegerField(default=-1, help_text='Time step of the last code; earlier ones are refused')),
                ('drift', models.SmallIntegerField(default=0, help_text="Time steps by which the phone's clock is known to be off")),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='second_factors', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.UniqueConstraint(condition=models.Q(('confirmed_at__isnull', False)), fields=('user',), name='accounts_one_second_factor'), models.UniqueConstraint(condition=models.Q(('confirmed_at__isnull', True)), fields=('user',), name='accounts_one_enrolment')],
            },
        ),
    ]
