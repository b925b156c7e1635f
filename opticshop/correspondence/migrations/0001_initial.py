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
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='LetterBatch',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('channel', models.CharField(max_length=80)),
                ('count', models.PositiveIntegerField(help_text='How many messages it holds')),
                ('document', models.BinaryField(help_text='The document; composed when it is first asked for', null=True)),
                ('state', models.CharField(choices=[('made', 'Made'), ('posted', 'Posted'), ('void', 'Void')], default='made', max_length=6)),
                ('made_by', models.CharField(max_length=200)),
                ('posted_on', models.DateField(null=True)),
                ('closed_by', models.CharField(blank=True, help_text='Who posted it or put it back', max_length=200)),
                ('closed_reason', models.CharField(blank=True, max_length=200)),
            ],
            options={
                'verbose_name_plural': 'letter batches',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='correspondence_batch_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['made', 'posted', 'void'])), name='correspondence_batch_state'), models.CheckConstraint(condition=models.Q(models.Q(('posted_on__isnull', False), ('state', 'posted')), models.Q(models.Q(('state', 'posted'), _negated=True), ('posted_on', None)), _connector='OR'), name='correspondence_posted_has_day')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Message',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='messages', to='customers.customer')),
                ('told', models.ForeignKey(help_text='Who it is addressed to: the customer, or the guardian of a child', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customer')),
                ('kind', models.CharField(help_text='For instance ready_for_collection', max_length=40)),
                ('purpose', models.CharField(choices=[('service', 'Service'), ('recall', 'Recall'), ('marketing', 'Marketing')], default='service', max_length=10)),
                ('priority', models.PositiveSmallIntegerField(db_default=0, default=0, help_text='The lowest is sent first')),
                ('values', models.JSONField(default=dict, help_text='What fills the placeholders; never a fact of health')),
                ('subject_ref', models.CharField(help_text='What it is about, for instance orders/<id>', max_length=120)),
                ('ways', models.CharField(blank=True, db_default='', default='', help_text='Ways to try after the preferred one, in order', max_length=40)),
                ('ways_refused', models.CharField(blank=True, db_default='', default='', help_text='Ways by which the carrier refused it', max_length=40)),
                ('way', models.CharField(blank=True, db_default='', default='', help_text='email, text or letter', max_length=10)),
                ('channel', models.CharField(max_length=80)),
                ('to', models.CharField(max_length=254)),
                ('language', models.CharField(default='en', max_length=10)),
                ('form', models.CharField(blank=True, choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter'), ('postcard', 'Postcard')], db_default='', default='', max_length=10)),
                ('subject', models.CharField(max_length=200)),
                ('body', models.TextField()),
                ('state', models.CharField(choices=[('queued', 'Queued'), ('sending', 'Sending'), ('sent', 'Sent'), ('failed', 'Failed'), ('withdrawn', 'Withdrawn')], default='queued', max_length=10)),
                ('due_at', models.DateTimeField(default=opticshop.core.clock.now)),
                ('attempts', models.PositiveSmallIntegerField(default=0)),
                ('attempted_at', models.DateTimeField(help_text='When the last attempt began', null=True)),
                ('sent_at', models.DateTimeField(null=True)),
                ('provider_reference', models.CharField(blank=True, max_length=200)),
                ('delivery', models.CharField(blank=True, choices=[('delivered', 'Delivered'), ('undelivered', 'Undelivered')], db_default='', default='', help_text='What the carrier says became of it; empty where it said nothing', max_length=11)),
                ('delivery_at', models.DateTimeField(null=True)),
                ('awaits_batch', models.BooleanField(db_default=False, default=False, help_text='Not sent on its own: gathered to a batch of letters')),
                ('batch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='messages', to='correspondence.letterbatch')),
                ('detail', models.TextField(blank=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='correspondence_message_newest'), models.Index(condition=models.Q(('state', 'queued')), fields=['due_at', 'id'], name='correspondence_message_due'), models.Index(condition=models.Q(('awaits_batch', False), ('state', 'queued')), fields=['priority', 'due_at', 'id'], name='correspondence_message_next'), models.Index(condition=models.Q(('batch', None), ('state', 'sending')), fields=['attempted_at'], name='correspondence_message_lost'), models.Index(condition=models.Q(('state', 'queued')), fields=['subject_ref'], name='correspondence_queued_about', opclasses=['varchar_pattern_ops']), models.Index(condition=models.Q(('provider_reference', ''), _negated=True), fields=['channel', 'provider_reference'], name='correspondence_message_ref'), models.Index(fields=['channel', 'to', '-id'], name='correspondence_message_sent_to')],
                'constraints': [models.UniqueConstraint(fields=('customer', 'kind', 'subject_ref'), name='correspondence_message_once'), models.CheckConstraint(condition=models.Q(('state__in', ['queued', 'sending', 'sent', 'failed', 'withdrawn'])), name='correspondence_message_state_known'), models.CheckConstraint(condition=models.Q(('purpose__in', ['service', 'recall', 'marketing'])), name='correspondence_purpose_known'), models.CheckConstraint(condition=models.Q(('delivery__in', ['', 'delivered', 'undelivered'])), name='correspondence_delivery_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='DeliveryNote',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('channel', models.CharField(max_length=80)),
                ('report_id', models.CharField(max_length=200)),
                ('message', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='delivery_notes', to='correspondence.message')),
                ('provider_reference', models.CharField(blank=True, max_length=200)),
                ('state', models.CharField(choices=[('delivered', 'Delivered'), ('undelivered', 'Undelivered')], max_length=11)),
                ('detail', models.CharField(blank=True, max_length=500)),
                ('at', models.DateTimeField()),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(condition=models.Q(('message', None)), fields=['created_at'], name='correspondence_note_unmatched')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'channel', 'report_id'), name='correspondence_note_once'), models.CheckConstraint(condition=models.Q(('state__in', ['delivered', 'undelivered'])), name='correspondence_note_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='MessageTemplate',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('kind', models.CharField(max_length=40)),
                ('language', models.CharField(help_text='BCP 47, for instance en or cy', max_length=10)),
                ('form', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter'), ('postcard', 'Postcard')], max_length=10)),
                ('subject', models.CharField(blank=True, max_length=200)),
                ('body', models.TextField()),
                ('is_active', models.BooleanField(default=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(condition=models.Q(('branch__isnull', False)), fields=('branch', 'kind', 'language', 'form'), name='correspondence_one_template'), models.UniqueConstraint(condition=models.Q(('branch__isnull', True)), fields=('kind', 'language', 'form'), name='correspondence_one_group_template'), models.CheckConstraint(condition=models.Q(('form__in', ['email', 'text', 'letter', 'postcard'])), name='correspondence_form_known')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='RateWindow',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='branches.branch')),
                ('channel', models.CharField(max_length=80)),
                ('minute', models.DateTimeField()),
                ('used', models.PositiveIntegerField(default=0)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['minute'], name='correspondence_window_minute')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'channel', 'minute'), name='correspondence_one_window_a_minute')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Reply',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('channel', models.CharField(max_length=80)),
                ('reply_id', models.CharField(help_text="The carrier's own id of the reply", max_length=200)),
                ('message', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='replies', to='correspondence.message')),
                ('customer', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customer')),
                ('sender', models.CharField(max_length=254)),
                ('text', models.TextField(blank=True)),
                ('meaning', models.CharField(choices=[('stop', 'Stop'), ('came_back', 'Was here, or has booked'), ('wrong_person', 'Wrong Person'), ('unclear', 'A person has to read it')], max_length=12)),
                ('received_at', models.DateTimeField()),
            ],
            options={
                'verbose_name_plural': 'replies',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='correspondence_reply_newest')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'channel', 'reply_id'), name='correspondence_reply_once'), models.CheckConstraint(condition=models.Q(('meaning__in', ['stop', 'came_back', 'wrong_person', 'unclear'])), name='correspondence_meaning_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='ChannelChoice',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('way', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], max_length=10)),
                ('channel', models.CharField(help_text='Name of a channel that a plugin brings', max_length=80)),
                ('per_minute', models.PositiveIntegerField(help_text='At most so many in a minute; empty for no limit', null=True)),
                ('is_active', models.BooleanField(default=True, help_text='False: the branch sends nothing by this way')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(fields=('branch', 'way'), name='correspondence_one_channel_a_way'), models.CheckConstraint(condition=models.Q(('way__in', ['email', 'text', 'letter'])), name='correspondence_way_known'), models.CheckConstraint(condition=models.Q(('per_minute', None), ('per_minute__gt', 0), _connector='OR'), name='correspondence_rate_some')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
