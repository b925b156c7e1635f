import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('accounts', '0001_initial'),
        ('branches', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Alert',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('cause', models.CharField(help_text='Name of a cause of ``alerts.causes``', max_length=40)),
                ('key', models.CharField(max_length=120)),
                ('about', models.CharField(help_text='Document that it is about, for instance orders/<id>', max_length=120)),
                ('link', models.CharField(help_text='Address of that document in the API', max_length=200)),
                ('number', models.CharField(blank=True, help_text='Number of the document, for people', max_length=80)),
                ('severity', models.CharField(choices=[('notice', 'To be known'), ('warning', 'To be seen to today'), ('urgent', 'To be seen to now')], max_length=8)),
                ('facts', models.JSONField(default=dict, help_text='Numbers, days and ids; no name, no fact of health')),
                ('since', models.DateTimeField(help_text='When the cause began, as far as it is known')),
                ('owner_role', models.CharField(help_text='Role that sees to it', max_length=20)),
                ('owner', models.ForeignKey(help_text='Person who does', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('state', models.CharField(choices=[('open', 'Nobody has taken it up'), ('acknowledged', 'Somebody sees to it'), ('closed', 'Closed')], default='open', max_length=12)),
                ('raised_at', models.DateTimeField(default=opticshop.core.clock.now)),
                ('acknowledged_at', models.DateTimeField(null=True)),
                ('acknowledged_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('note', models.CharField(blank=True, max_length=300)),
                ('snoozed_until', models.DateTimeField(null=True)),
                ('waiting_since', models.DateTimeField(default=opticshop.core.clock.now)),
                ('level', models.PositiveSmallIntegerField(default=0, help_text='How often it was escalated')),
                ('escalated_at', models.DateTimeField(null=True)),
                ('closed_at', models.DateTimeField(null=True)),
                ('closed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('closed_because', models.CharField(blank=True, choices=[('cause_gone', 'Its cause is gone'), ('by_hand', 'Closed by a person, with the reason'), ('switched_off', 'The branch no longer watches this')], max_length=12)),
                ('closed_reason', models.CharField(blank=True, max_length=300)),
                ('holds_back', models.BooleanField(default=False)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='alerts_newest'), models.Index(fields=['branch', 'state', '-id'], name='alerts_branch_state'), models.Index(condition=models.Q(('state__in', ['open', 'acknowledged'])), fields=['owner', '-id'], name='alerts_owner'), models.Index(condition=models.Q(('state', 'closed')), fields=['branch', 'closed_at'], name='alerts_closed')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('state__in', ['open', 'acknowledged'])), fields=('branch', 'cause', 'key'), name='alerts_raised_once'), models.UniqueConstraint(condition=models.Q(('holds_back', True)), fields=('branch', 'cause', 'key'), name='alerts_held_back_once'), models.CheckConstraint(condition=models.Q(('state__in', ['open', 'acknowledged', 'closed'])), name='alerts_state_known'), models.CheckConstraint(condition=models.Q(('severity__in', ['notice', 'warning', 'urgent'])), name='alerts_severity_known'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'acknowledged'), _negated=True), ('acknowledged_at__isnull', False), _connector='OR'), name='alerts_acknowledged_when'), models.CheckConstraint(condition=models.Q(models.Q(('closed_at__isnull', False), ('closed_because__in', ['cause_gone', 'by_hand', 'switched_off']), ('state', 'closed')), models.Q(models.Q(('state', 'closed'), _negated=True), ('closed_at__isnull', True), ('closed_because', '')), _connector='OR'), name='alerts_closed_when_and_why'), models.CheckConstraint(condition=models.Q(models.Q(('closed_because', 'by_hand'), _negated=True), models.Q(('closed_reason', ''), _negated=True), _connector='OR'), name='alerts_closing_explained'), models.CheckConstraint(condition=models.Q(('holds_back', False), models.Q(('closed_because', 'by_hand'), ('state', 'closed')), _connector='OR'), name='alerts_only_closed_by_hand_hold_back'), models.CheckConstraint(condition=models.Q(('snoozed_until__isnull', True), ('state__in', ['acknowledged', 'closed']), _connector='OR'), name='alerts_snoozed_is_acknowledged')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='AlertDigest',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('day', models.DateField()),
                ('made_at', models.DateTimeField()),
                ('content', models.JSONField(help_text='Counts, the oldest alerts, what was closed since the open day before')),
                ('text', models.TextField(help_text='The same in plain text')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='alerts_digest_newest')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'day'), name='alerts_digest_once_a_day')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='AlertRule',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('cause', models.CharField(max_length=40)),
                ('thresholds', models.JSONField(default=dict, help_text='Name of a threshold -> whole number')),
                ('owner_role', models.CharField(blank=True, max_length=20)),
                ('owner', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('escalate_after_hours', models.PositiveSmallIntegerField(help_text='Working hours; 0: never', null=True)),
                ('is_active', models.BooleanField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(fields=('branch', 'cause'), name='alerts_rule_once_per_branch'), models.UniqueConstraint(condition=models.Q(('branch', None)), fields=('cause',), name='alerts_rule_once_for_the_group'), models.CheckConstraint(condition=models.Q(('owner__isnull', True), ('branch__isnull', False), _connector='OR'), name='alerts_person_only_at_a_branch')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='AlertStep',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('alert', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='steps', to='alerts.alert')),
                ('kind', models.CharField(choices=[('raised', 'Raised'), ('severity_changed', 'Severity Changed'), ('acknowledged', 'Acknowledged'), ('snoozed', 'Snoozed'), ('woken', 'Its snooze was over'), ('handed_over', 'Handed Over'), ('escalated', 'Escalated'), ('closed', 'Closed')], max_length=16)),
                ('at', models.DateTimeField()),
                ('severity', models.CharField(choices=[('notice', 'To be known'), ('warning', 'To be seen to today'), ('urgent', 'To be seen to now')], max_length=8)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
                ('note', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['raised', 'severity_changed', 'acknowledged', 'snoozed', 'woken', 'handed_over', 'escalated', 'closed'])), name='alerts_step_kind_known')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='DigestMail',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('digest', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='mails', to='alerts.alertdigest')),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('channel', models.CharField(max_length=80)),
                ('to', models.CharField(max_length=254)),
                ('state', models.CharField(choices=[('queued', 'Queued'), ('sending', 'Sending'), ('sent', 'Sent'), ('failed', 'Failed')], default='queued', max_length=10)),
                ('due_at', models.DateTimeField(default=opticshop.core.clock.now)),
                ('attempts', models.PositiveSmallIntegerField(default=0)),
                ('attempted_at', models.DateTimeField(null=True)),
                ('sent_at', models.DateTimeField(null=True)),
                ('detail', models.TextField(blank=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(condition=models.Q(('state__in', ['queued', 'sending'])), fields=['due_at', 'id'], name='alerts_mail_due')],
                'constraints': [models.UniqueConstraint(fields=('digest', 'user'), name='alerts_digest_once_a_person'), models.CheckConstraint(condition=models.Q(('state__in', ['queued', 'sending', 'sent', 'failed'])), name='alerts_mail_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='DigestSubscription',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('channel', models.CharField(blank=True, help_text='Empty: the channel of the branch', max_length=80)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['user', '-id'], name='alerts_subscriptions_of')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'user'), name='alerts_subscribed_once')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
