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
        ('customers', '0001_initial'),
        ('orders', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Appointment',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='appointments', to='customers.customer')),
                ('kind', models.CharField(choices=[('examination', 'Examination'), ('dispensing', 'Dispensing'), ('collection', 'Collection'), ('adjustment', 'Adjustment'), ('other', 'Other')], max_length=12)),
                ('starts_at', models.DateTimeField()),
                ('ends_at', models.DateTimeField()),
                ('seen_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('place', models.CharField(blank=True, help_text='Room or chair', max_length=80)),
                ('order', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='appointments', to='orders.order')),
                ('note', models.TextField(blank=True, help_text='For the branch alone; never in a calendar')),
                ('state', models.CharField(choices=[('booked', 'Booked'), ('arrived', 'Arrived'), ('attended', 'Attended'), ('missed', 'Missed'), ('cancelled', 'Cancelled')], default='booked', max_length=9)),
                ('cancelled_reason', models.CharField(blank=True, max_length=300)),
                ('sequence', models.PositiveIntegerField(default=0, editable=False, help_text='SEQUENCE of RFC 5545')),
                ('booked_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('agreed_at', models.DateTimeField(default=opticshop.core.clock.now, help_text='When the present time was agreed')),
                ('changed_at', models.DateTimeField(default=opticshop.core.clock.now, help_text='When a calendar last saw something new')),
                ('remind_at', models.DateTimeField(help_text='When a reminder is to be queued; empty where none is', null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', 'starts_at', 'id'], name='appointments_branch_day'), models.Index(fields=['customer', 'starts_at'], name='appointments_customer'), models.Index(fields=['seen_by', 'starts_at'], name='appointments_seen_by'), models.Index(condition=models.Q(('remind_at__isnull', False)), fields=['remind_at', 'id'], name='appointments_remind_due')],
                'constraints': [models.CheckConstraint(condition=models.Q(('starts_at__lt', models.F('ends_at'))), name='appointments_end_after_start'), models.CheckConstraint(condition=models.Q(('kind__in', ['examination', 'dispensing', 'collection', 'adjustment', 'other'])), name='appointments_kind_known'), models.CheckConstraint(condition=models.Q(('state__in', ['booked', 'arrived', 'attended', 'missed', 'cancelled'])), name='appointments_state_known'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'cancelled'), _negated=True), models.Q(('cancelled_reason', ''), _negated=True), _connector='OR'), name='appointments_cancel_explained'), models.CheckConstraint(condition=models.Q(('order__isnull', True), ('kind', 'collection'), _connector='OR'), name='appointments_order_is_collected'), models.CheckConstraint(condition=models.Q(('remind_at__isnull', True), ('state', 'booked'), _connector='OR'), name='appointments_remind_of_booked')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='CalendarFeed',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('what', models.CharField(choices=[('appointments', 'Appointments'), ('person', 'Person'), ('collections', 'Collections'), ('everything', 'Everything')], max_length=12)),
                ('person', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('name', models.CharField(max_length=80)),
                ('shows_given_names', models.BooleanField(default=False)),
                ('token_hash', models.CharField(help_text='SHA-256 of the token, in hex', max_length=64, unique=True)),
                ('created_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('revoked_at', models.DateTimeField(null=True)),
                ('last_read_at', models.DateTimeField(help_text='To the nearest few minutes', null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='appointments_feed_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('person__isnull', False), ('what', 'person')), models.Q(('person__isnull', True), ('what__in', ['appointments', 'collections', 'everything'])), _connector='OR'), name='appointments_feed_of_whom')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
