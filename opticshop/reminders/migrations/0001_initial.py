import datetime
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
        ('customers', '0001_initial'),
        ('prescriptions', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Campaign',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('name', models.CharField(max_length=120)),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('running', 'Running'), ('paused', 'Paused'), ('finished', 'Finished')], default='draft', max_length=8)),
                ('ways', models.JSONField(help_text='Ways in the order in which they are tried after the one a person prefers')),
                ('quiet_from', models.TimeField(default=datetime.time(20, 0), help_text="Nobody is disturbed from then, branch's time")),
                ('quiet_to', models.TimeField(default=datetime.time(9, 0), help_text='until then')),
                ('open_days_only', models.BooleanField(default=True, help_text='Only while the branch is open and can answer')),
                ('daily_cap', models.PositiveIntegerField(help_text='Notices on one day of the branch')),
                ('not_due_before', models.DateField(help_text='Who was due earlier is left alone')),
                ('promotes', models.BooleanField(default=False, help_text='The texts promote something: marketing, for those only who agreed to it')),
                ('started_at', models.DateTimeField(null=True)),
                ('finished_at', models.DateTimeField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='reminders_campaign_newest')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('state__in', ['running', 'paused'])), fields=('branch',), name='reminders_one_open_campaign'), models.CheckConstraint(condition=models.Q(('state__in', ['draft', 'running', 'paused', 'finished'])), name='reminders_campaign_state'), models.CheckConstraint(condition=models.Q(('daily_cap__gte', 1)), name='reminders_campaign_cap')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='CampaignNotice',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('campaign', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='notices', to='reminders.campaign')),
                ('ordinal', models.PositiveSmallIntegerField(help_text='1 is the first notice, 2 the second, 3 the final one')),
                ('days_from_due', models.SmallIntegerField(help_text='Negative: before the due day')),
                ('min_gap_days', models.PositiveSmallIntegerField(default=0, help_text='At least so long after the notice before')),
            ],
            options={
                'ordering': ['ordinal'],
                'constraints': [models.UniqueConstraint(fields=('campaign', 'ordinal'), name='reminders_notice_once'), models.CheckConstraint(condition=models.Q(('ordinal__gte', 1), ('ordinal__lte', 3), ('days_from_due__gte', -365), ('days_from_due__lte', 730), models.Q(('ordinal', 1), ('min_gap_days__gte', 1), _connector='OR'), ('min_gap_days__lte', 365)), name='reminders_notice_bounds')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='Recall',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='recalls', to='customers.customer')),
                ('prescription', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='recall', to='prescriptions.prescription')),
                ('due_on', models.DateField()),
                ('policy', models.CharField(max_length=80)),
                ('reason', models.CharField(max_length=300)),
                ('source', models.CharField(blank=True, help_text='The rule that gave the day', max_length=300)),
                ('state', models.CharField(choices=[('planned', 'Planned'), ('closed', 'Closed')], default='planned', max_length=8)),
                ('outcome', models.CharField(blank=True, choices=[('came_back', 'Has a newer prescription, or says so'), ('opted_out', 'Asked not to be recalled'), ('moved', 'Moved away'), ('deceased', 'Deceased'), ('wrong_person', "The address is somebody else's"), ('superseded', 'Another recall of the same person stands, or the policy gives no day any more'), ('exhausted', 'Every notice was made, and nobody came within 90 days of the last'), ('by_hand', 'Closed by a person, with the reason')], db_default='', default='', help_text='Empty while planned', max_length=12)),
                ('closed_reason', models.CharField(blank=True, max_length=200)),
                ('closed_at', models.DateTimeField(null=True)),
                ('returned_on', models.DateField(help_text="Day of the person's newer prescription", null=True)),
                ('notices_made', models.PositiveSmallIntegerField(db_default=0, default=0)),
                ('notices_carried', models.PositiveSmallIntegerField(db_default=0, default=0, help_text='Of the notices made, those that a merged record of the person had got')),
                ('notices_lost', models.PositiveSmallIntegerField(db_default=0, default=0, help_text='Of the notices made, those that could not be delivered or were taken back')),
                ('first_notice_on', models.DateField(null=True)),
                ('last_notice_on', models.DateField(null=True)),
                ('next_notice_on', models.DateField(help_text='Empty: no notice is to come as things stand', null=True)),
                ('held_until', models.DateField(help_text='No notice before this day', null=True)),
                ('held_for', models.CharField(blank=True, db_default='', default='', help_text='What holds it', max_length=120)),
                ('obstacle', models.CharField(blank=True, db_default='', default='', help_text='Why the person cannot be told; for staff', max_length=300)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='reminders_recall_newest'), models.Index(condition=models.Q(('state', 'planned')), fields=['branch', 'due_on', 'id'], name='reminders_recall_due'), models.Index(condition=models.Q(('next_notice_on__isnull', False), ('state', 'planned')), fields=['next_notice_on', 'branch', 'id'], name='reminders_notice_due'), models.Index(condition=models.Q(('last_notice_on__isnull', False)), fields=['branch', 'last_notice_on'], name='reminders_notice_last')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('state', 'planned')), fields=('customer',), name='reminders_one_planned_recall'), models.CheckConstraint(condition=models.Q(('state', 'planned'), ('next_notice_on__isnull', True), _connector='OR'), name='reminders_closed_has_no_notice'), models.CheckConstraint(condition=models.Q(('notices_made__gte', models.F('notices_carried'))), name='reminders_carried_within_made')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
