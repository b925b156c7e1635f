import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('branches', '0001_initial'),
        ('customers', '0001_initial'),
        ('prescriptions', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Message',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('kind', models.CharField(help_text='For instance ready_for_collection', max_length=30)),
                ('subject_ref', models.CharField(help_text='What it is about, for instance orders/<id>', max_length=120)),
                ('channel', models.CharField(max_length=80)),
                ('to', models.CharField(max_length=254)),
                ('language', models.CharField(default='en', max_length=10)),
                ('subject', models.CharField(max_length=200)),
                ('body', models.TextField()),
                ('state', models.CharField(choices=[('queued', 'Queued'), ('sending', 'Sending'), ('sent', 'Sent'), ('failed', 'Failed'), ('withdrawn', 'Withdrawn')], default='queued', max_length=10)),
                ('due_at', models.DateTimeField(default=opticshop.core.clock.now)),
                ('attempts', models.PositiveSmallIntegerField(default=0)),
                ('attempted_at', models.DateTimeField(help_text='When the last attempt began', null=True)),
                ('sent_at', models.DateTimeField(null=True)),
                ('provider_reference', models.CharField(blank=True, max_length=200)),
                ('detail', models.TextField(blank=True)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='messages', to='customers.customer')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='reminders_message_newest'), models.Index(condition=models.Q(('state', 'queued')), fields=['due_at', 'id'], name='reminders_message_due')],
                'constraints': [models.UniqueConstraint(fields=('customer', 'kind', 'subject_ref'), name='reminders_message_once'), models.CheckConstraint(condition=models.Q(('state__in', ['queued', 'sending', 'sent', 'failed', 'withdrawn'])), name='reminders_message_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Recall',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('due_on', models.DateField()),
                ('policy', models.CharField(max_length=80)),
                ('reason', models.CharField(max_length=300)),
                ('source', models.CharField(blank=True, help_text='The rule that gave the day', max_length=300)),
                ('state', models.CharField(choices=[('planned', 'Planned'), ('closed', 'Closed')], default='planned', max_length=8)),
                ('closed_reason', models.CharField(blank=True, max_length=200)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='recalls', to='customers.customer')),
                ('prescription', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='recall', to='prescriptions.prescription')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='reminders_recall_newest'), models.Index(condition=models.Q(('state', 'planned')), fields=['branch', 'due_on', 'id'], name='reminders_recall_due')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('state', 'planned')), fields=('customer',), name='reminders_one_planned_recall')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ]
