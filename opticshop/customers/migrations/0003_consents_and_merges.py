import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models

from opticshop.core.append_only import append_only


class Migration(migrations.Migration):

    dependencies = [
        ('customers', '0002_life_and_merging'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='CustomerMerge',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('reason', models.CharField(max_length=300)),
                ('filled', models.JSONField(default=dict, help_text='Columns of the survivor that this merge set: [was, now]')),
                ('undone_at', models.DateTimeField(null=True)),
                ('undone_reason', models.CharField(blank=True, max_length=300)),
                ('merged', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customer')),
                ('merged_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('survivor', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='merges', to='customers.customer')),
                ('undone_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
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
                ('way', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], max_length=10)),
                ('purpose', models.CharField(choices=[('service', "About the person's own order or care"), ('recall', 'An invitation to come again'), ('marketing', 'Anything that promotes')], max_length=10)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='refusals', to='customers.customer')),
                ('from_merge', models.ForeignKey(help_text='Taken over by this merge', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customermerge')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
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
                ('way', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], max_length=10)),
                ('address', models.CharField(help_text='As it stood, in the form that is compared', max_length=600)),
                ('reason', models.CharField(max_length=300)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='wrong_addresses', to='customers.customer')),
                ('from_merge', models.ForeignKey(help_text='Taken over by this merge', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customermerge')),
                ('recorded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
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
                ('what', models.CharField(choices=[('wants_recalls', 'Wants Recalls'), ('wants_marketing', 'Wants Marketing'), ('preferred_channel', 'Preferred Channel'), ('contact', 'One purpose by one way')], max_length=20)),
                ('way', models.CharField(blank=True, choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter')], help_text='Of a contact choice', max_length=10)),
                ('purpose', models.CharField(blank=True, choices=[('service', "About the person's own order or care"), ('recall', 'An invitation to come again'), ('marketing', 'Anything that promotes')], help_text='Of a contact choice', max_length=10)),
                ('was', models.CharField(help_text='yes, no, or a channel', max_length=10)),
                ('now', models.CharField(help_text='yes, no, or a channel', max_length=10)),
                ('source', models.CharField(choices=[('in_person', 'In Person'), ('phone', 'Phone'), ('unsubscribe_link', 'Unsubscribe Link'), ('reply', 'Reply'), ('import', 'Import'), ('merge', 'A merge with another record of the same person, or its undoing'), ('not_stated', 'Not Stated')], max_length=20)),
                ('wording', models.CharField(blank=True, help_text='Version of the words agreed to, or evidence', max_length=300)),
                ('changed_by_label', models.CharField(max_length=200)),
                ('changed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='consent_changes', to='customers.customer')),
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
        migrations.AddConstraint(
            model_name='customermerge',
            constraint=models.UniqueConstraint(condition=models.Q(('undone_at__isnull', True)), fields=('merged',), name='customers_merged_once_at_a_time'),
        ),
        migrations.AddConstraint(
            model_name='customermerge',
            constraint=models.CheckConstraint(condition=models.Q(('survivor', models.F('merged')), _negated=True), name='customers_merge_of_two'),
        ),
        migrations.AddConstraint(
            model_name='contactrefusal',
            constraint=models.UniqueConstraint(fields=('customer', 'way', 'purpose'), name='customers_refusal_once'),
        ),
        migrations.AddConstraint(
            model_name='contactrefusal',
            constraint=models.CheckConstraint(condition=models.Q(('way__in', ['email', 'text', 'letter'])), name='customers_refusal_way'),
        ),
        migrations.AddConstraint(
            model_name='contactrefusal',
            constraint=models.CheckConstraint(condition=models.Q(('purpose__in', ['service', 'recall', 'marketing'])), name='customers_refusal_purpose'),
        ),
        migrations.AddConstraint(
            model_name='wrongaddress',
            constraint=models.UniqueConstraint(fields=('customer', 'way', 'address'), name='customers_wrong_address_once'),
        ),
        migrations.AddConstraint(
            model_name='wrongaddress',
            constraint=models.CheckConstraint(condition=models.Q(('way__in', ['email', 'text', 'letter'])), name='customers_wrong_way_known'),
        ),
        migrations.AddConstraint(
            model_name='wrongaddress',
            constraint=models.CheckConstraint(condition=models.Q(('address', ''), _negated=True), name='customers_wrong_address_stated'),
        ),
        append_only("customers_consentchange"),
    ]
