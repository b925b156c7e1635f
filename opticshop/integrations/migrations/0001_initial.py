import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('branches', '0001_initial'),
        ('core', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='FeedEntry',
            fields=[
                ('position', models.BigIntegerField(primary_key=True, serialize=False)),
                ('event', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='feed_entry', to='core.outboxevent')),
                ('type', models.CharField(max_length=80)),
                ('area', models.CharField(max_length=40)),
                ('branch_id', models.UUIDField(null=True)),
            ],
            options={
                'verbose_name_plural': 'feed entries',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch_id', 'position'], name='integrations_feed_branch'), models.Index(fields=['type', 'position'], name='integrations_feed_type')],
                'constraints': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='FeedHead',
            fields=[
                ('id', models.PositiveSmallIntegerField(default=1, primary_key=True, serialize=False)),
                ('last', models.BigIntegerField(default=0)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('id', 1)), name='integrations_one_feed_head')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='WebhookEndpoint',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('url', models.CharField(max_length=500)),
                ('description', models.CharField(blank=True, max_length=200)),
                ('event_types', models.JSONField()),
                ('format', models.CharField(choices=[('plain', 'Plain'), ('cloudevents', 'Cloudevents')], default='plain', max_length=12)),
                ('state', models.CharField(choices=[('active', 'Active'), ('paused', 'Paused'), ('gone', 'Gone'), ('retired', 'Retired')], default='active', max_length=8)),
                ('sealed_secret', models.TextField()),
                ('sealed_previous', models.TextField(blank=True)),
                ('previous_until', models.DateTimeField(help_text='Until then the secret before signs as well', null=True)),
                ('held_until', models.DateTimeField(default=opticshop.core.clock.now)),
                ('lease', models.UUIDField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='integrations_endpoint_newest'), models.Index(condition=models.Q(('state', 'active')), fields=['held_until'], name='integrations_endpoint_due')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['active', 'paused', 'gone', 'retired'])), name='integrations_endpoint_state'), models.CheckConstraint(condition=models.Q(('format__in', ['plain', 'cloudevents'])), name='integrations_format_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='WebhookDelivery',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('endpoint', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='deliveries', to='integrations.webhookendpoint')),
                ('entry', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='integrations.feedentry')),
                ('state', models.CharField(choices=[('pending', 'Pending'), ('delivered', 'Delivered'), ('dead', 'Dead'), ('withdrawn', 'Withdrawn')], default='pending', max_length=10)),
                ('tries', models.PositiveSmallIntegerField(default=0, help_text='Attempts since it was last queued')),
                ('attempt_count', models.PositiveIntegerField(default=0, help_text='Attempts in all')),
                ('settled_at', models.DateTimeField(null=True)),
            ],
            options={
                'verbose_name_plural': 'webhook deliveries',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(condition=models.Q(('state', 'pending')), fields=['endpoint', 'entry'], name='integrations_pending'), models.Index(fields=['endpoint', '-id'], name='integrations_delivery_newest'), models.Index(condition=models.Q(('state', 'dead')), fields=['-id'], name='integrations_dead')],
                'constraints': [models.UniqueConstraint(fields=('endpoint', 'entry'), name='integrations_delivery_once'), models.CheckConstraint(condition=models.Q(('state__in', ['pending', 'delivered', 'dead', 'withdrawn'])), name='integrations_delivery_state')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='WebhookAttempt',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('delivery', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='attempts', to='integrations.webhookdelivery')),
                ('number', models.PositiveIntegerField()),
                ('started_at', models.DateTimeField()),
                ('finished_at', models.DateTimeField(null=True)),
                ('status', models.PositiveSmallIntegerField(help_text='Of HTTP; none where no answer came', null=True)),
                ('duration_ms', models.PositiveIntegerField(null=True)),
                ('response', models.TextField(blank=True, help_text='The beginning of what was answered')),
                ('error', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('delivery', 'number'), name='integrations_attempt_numbered')],
                'indexes': [],
            },
        ),
    ])]
