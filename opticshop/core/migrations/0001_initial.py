import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    dependencies = [
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Measurement',
            fields=[
                ('name', models.CharField(max_length=80, primary_key=True, serialize=False)),
                ('taken_at', models.DateTimeField()),
                ('figures', models.JSONField(default=dict)),
            ],
            options={
                'indexes': [],
                'constraints': [],
            },
        ),
        migrations.CreateModel(
            name='DutyRun',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=120)),
                ('place', models.PositiveSmallIntegerField(default=0)),
                ('lease', models.UUIDField(null=True)),
                ('leased_until', models.DateTimeField(null=True)),
                ('due_at', models.DateTimeField(help_text='Moved when a run ends, never before: a killed run is due again', null=True)),
                ('last_started_at', models.DateTimeField(null=True)),
                ('last_finished_at', models.DateTimeField(null=True)),
                ('last_succeeded_at', models.DateTimeField(null=True)),
                ('last_error', models.TextField(blank=True)),
                ('handled', models.PositiveIntegerField(default=0, help_text='Rows handled by the last run that succeeded')),
                ('runs', models.PositiveBigIntegerField(default=0)),
                ('failures', models.PositiveBigIntegerField(default=0)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('name', 'place'), name='core_duty_run_place')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='IdempotencyRecord',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('credential', models.CharField(max_length=80)),
                ('route', models.CharField(max_length=200)),
                ('key', models.CharField(max_length=200)),
                ('fingerprint', models.CharField(max_length=64)),
                ('expires_at', models.DateTimeField()),
                ('status', models.PositiveSmallIntegerField(null=True)),
                ('body', models.BinaryField(null=True)),
                ('content_type', models.CharField(blank=True, max_length=100)),
                ('headers', models.JSONField(default=dict)),
            ],
            options={
                'indexes': [models.Index(fields=['expires_at'], name='core_idempotency_expiry')],
                'constraints': [models.UniqueConstraint(fields=('credential', 'route', 'key'), name='core_idempotency_key_once')],
            },
        ),
        migrations.CreateModel(
            name='OutboxEvent',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('type', models.CharField(max_length=80)),
                ('subject', models.CharField(max_length=120)),
                ('branch_id', models.UUIDField(null=True)),
                ('actor_id', models.UUIDField(null=True)),
                ('actor_label', models.CharField(max_length=200)),
                ('data', models.JSONField(default=dict)),
            ],
            options={
                'indexes': [models.Index(fields=['type', 'id'], name='core_outbox_type_id'), models.Index(fields=['subject', 'id'], name='core_outbox_subject_id')],
                'constraints': [],
            },
        ),
        migrations.CreateModel(
            name='EventDelivery',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='deliveries', to='core.outboxevent')),
                ('handler', models.CharField(max_length=120)),
                ('state', models.CharField(choices=[('pending', 'Pending'), ('done', 'Done'), ('dead', 'Dead')], default='pending', max_length=10)),
                ('attempts', models.PositiveIntegerField(default=0)),
                ('due_at', models.DateTimeField(default=opticshop.core.clock.now)),
                ('done_at', models.DateTimeField(null=True)),
                ('last_error', models.TextField(blank=True)),
            ],
            options={
                'indexes': [models.Index(condition=models.Q(('state', 'pending')), fields=['due_at', 'id'], name='core_delivery_due')],
                'constraints': [models.UniqueConstraint(fields=('event', 'handler'), name='core_delivery_once_per_handler'), models.CheckConstraint(condition=models.Q(('state__in', ['pending', 'done', 'dead'])), name='core_delivery_state_known')],
            },
        ),
    ])]
