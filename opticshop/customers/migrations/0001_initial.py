import django.db.models.deletion
import django.db.models.functions.text
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    # The tables of others first: Django makes every related model anew with each of their alterations.
    dependencies = [
        ('admin', '0003_logentry_add_action_flag_choices'),
        ('oauth2_provider', '0022_refreshtoken_token_family_index'),
        ('accounts', '0001_initial'),
        ('branches', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Customer',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('given_name', models.CharField(max_length=80)),
                ('family_name', models.CharField(max_length=80)),
                ('search_given', models.CharField(editable=False, max_length=80)),
                ('search_family', models.CharField(editable=False, max_length=80)),
                ('birth_date', models.DateField(null=True)),
                ('email', models.EmailField(blank=True, max_length=254)),
                ('phone', models.CharField(blank=True, help_text='As given', max_length=40)),
                ('phone_e164', models.CharField(blank=True, editable=False, max_length=16)),
                ('address', models.TextField(blank=True)),
                ('postcode', models.CharField(blank=True, max_length=12)),
                ('country', models.CharField(default='GB', max_length=2)),
                ('language', models.CharField(default='en', max_length=10)),
                ('guardian', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='wards', to='customers.customer')),
                ('is_sight_impaired', models.BooleanField(default=False, help_text='Registered (severely) sight impaired')),
                ('preferred_channel', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter'), ('none', 'None')], default='email', max_length=10)),
                ('wants_recalls', models.BooleanField(default=True)),
                ('wants_marketing', models.BooleanField(default=False)),
                ('note', models.TextField(blank=True)),
                ('deceased_on', models.DateField(help_text='Known to have died on or before this day', null=True)),
                ('moved_away_on', models.DateField(help_text='Known to live elsewhere since this day', null=True)),
                ('contact_confirmed_on', models.DateField(help_text='Day on which a young person said who is to be told: the person or the guardian', null=True)),
                ('merged_into', models.ForeignKey(blank=True, db_index=False, help_text='The record that speaks for the same person; never itself merged', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='merged', to='customers.customer')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='customers_branch_newest'), models.Index(fields=['branch', 'search_family', 'search_given'], name='customers_branch_name'), models.Index(fields=['branch', 'birth_date'], name='customers_branch_birth'), models.Index(condition=models.Q(('phone_e164', ''), _negated=True), fields=['branch', 'phone_e164'], name='customers_branch_phone'), models.Index(condition=models.Q(('merged_into__isnull', False)), fields=['merged_into'], name='customers_merged'), models.Index(django.db.models.functions.text.Lower('email'), condition=models.Q(('email', ''), _negated=True), name='customers_email'), models.Index(condition=models.Q(('phone_e164', ''), _negated=True), fields=['phone_e164'], name='customers_phone'), models.Index(fields=['birth_date', 'search_family'], name='customers_birth_name'), models.Index(fields=['search_family', 'search_given'], name='customers_name')],
                'constraints': [models.CheckConstraint(condition=models.Q(('preferred_channel__in', ['email', 'text', 'letter', 'none'])), name='customers_channel_known'), models.CheckConstraint(condition=models.Q(('guardian', models.F('id')), _negated=True), name='customers_not_own_guardian'), models.CheckConstraint(condition=models.Q(('merged_into', models.F('id')), _negated=True), name='customers_not_merged_into_self')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='ConsentChange',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='consent_changes', to='customers.customer')),
                ('what', models.CharField(choices=[('wants_recalls', 'Wants Recalls'), ('wants_marketing', 'Wants Marketing'), ('preferred_channel', 'Preferred Channel'), ('contact', 'One purpose by one way')], max_length=20)),
                ('way', models.CharField(blank=True, choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], help_text='Of a contact choice', max_length=10)),
                ('purpose', models.CharField(blank=True, choices=[('service', "About the person's own order or care"), ('recall', 'An invitation to come again'), ('marketing', 'Anything that promotes')], help_text='Of a contact choice', max_length=10)),
                ('was', models.CharField(help_text='yes, no, or a channel', max_length=10)),
                ('now', models.CharField(help_text='yes, no, or a channel', max_length=10)),
                ('source', models.CharField(choices=[('in_person', 'In Person'), ('phone', 'Phone'), ('unsubscribe_link', 'Unsubscribe Link'), ('reply', 'Reply'), ('import', 'Import'), ('merge', 'A merge with another record of the same person, or its undoing'), ('not_stated', 'Not Stated')], max_length=20)),
                ('wording', models.CharField(blank=True, help_text='Version of the words agreed to, or evidence', max_length=300)),
                ('changed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('changed_by_label', models.CharField(max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['customer', '-id'], name='customers_consent_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('what', 'contact'), models.Q(('way', ''), _negated=True), models.Q(('purpose', ''), _negated=True)), models.Q(('what__in', ['wants_recalls', 'wants_marketing', 'preferred_channel']), ('way', ''), ('purpose', '')), _connector='OR'), name='customers_consent_what_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='CustomerMerge',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('survivor', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='merges', to='customers.customer')),
                ('merged', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customer')),
                ('reason', models.CharField(max_length=300)),
                ('merged_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('filled', models.JSONField(default=dict, help_text='Columns of the survivor that this merge set: [was, now]')),
                ('undone_at', models.DateTimeField(null=True)),
                ('undone_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('undone_reason', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(condition=models.Q(('undone_at__isnull', True)), fields=('merged',), name='customers_merged_once_at_a_time'), models.CheckConstraint(condition=models.Q(('survivor', models.F('merged')), _negated=True), name='customers_merge_of_two')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='ContactRefusal',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='refusals', to='customers.customer')),
                ('way', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], max_length=10)),
                ('purpose', models.CharField(choices=[('service', "About the person's own order or care"), ('recall', 'An invitation to come again'), ('marketing', 'Anything that promotes')], max_length=10)),
                ('from_merge', models.ForeignKey(help_text='Taken over by this merge', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customermerge')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(fields=('customer', 'way', 'purpose'), name='customers_refusal_once'), models.CheckConstraint(condition=models.Q(('way__in', ['email', 'text', 'letter'])), name='customers_refusal_way'), models.CheckConstraint(condition=models.Q(('purpose__in', ['service', 'recall', 'marketing'])), name='customers_refusal_purpose')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='StatusChange',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='status_changes', to='customers.customer')),
                ('what', models.CharField(choices=[('deceased_on', 'Deceased On'), ('moved_away_on', 'Moved Away On')], max_length=20)),
                ('was', models.DateField(null=True)),
                ('now', models.DateField(null=True)),
                ('reason', models.CharField(blank=True, max_length=300)),
                ('changed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('changed_by_label', models.CharField(max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['customer', '-id'], name='customers_status_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('what__in', ['deceased_on', 'moved_away_on'])), name='customers_status_what_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='WrongAddress',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='wrong_addresses', to='customers.customer')),
                ('way', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], max_length=10)),
                ('address', models.CharField(help_text='As it stood, in the form that is compared', max_length=600)),
                ('reason', models.CharField(max_length=300)),
                ('recorded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('from_merge', models.ForeignKey(help_text='Taken over by this merge', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customermerge')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(fields=('customer', 'way', 'address'), name='customers_wrong_address_once'), models.CheckConstraint(condition=models.Q(('way__in', ['email', 'text', 'letter'])), name='customers_wrong_way_known'), models.CheckConstraint(condition=models.Q(('address', ''), _negated=True), name='customers_wrong_address_stated')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
