import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        # For the order only: they alter what hangs on the user, which costs the more the more models there are.
        ("admin", "0003_logentry_add_action_flag_choices"),
        ("oauth2_provider", "0022_refreshtoken_token_family_index"),
        ('branches', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Customer',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
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
                ('is_sight_impaired', models.BooleanField(default=False, help_text='Registered (severely) sight impaired')),
                ('preferred_channel', models.CharField(choices=[('email', 'Email'), ('text', 'Text'), ('letter', 'Letter'), ('none', 'None')], default='email', max_length=10)),
                ('wants_recalls', models.BooleanField(default=True)),
                ('wants_marketing', models.BooleanField(default=False)),
                ('note', models.TextField(blank=True)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('guardian', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='wards', to='customers.customer')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='customers_branch_newest'), models.Index(fields=['branch', 'search_family', 'search_given'], name='customers_branch_name'), models.Index(fields=['branch', 'birth_date'], name='customers_branch_birth'), models.Index(condition=models.Q(('phone_e164', ''), _negated=True), fields=['branch', 'phone_e164'], name='customers_branch_phone')],
                'constraints': [models.CheckConstraint(condition=models.Q(('preferred_channel__in', ['email', 'text', 'letter', 'none'])), name='customers_channel_known'), models.CheckConstraint(condition=models.Q(('guardian', models.F('id')), _negated=True), name='customers_not_own_guardian')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ]
