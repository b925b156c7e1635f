import django.db.models.deletion
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
            name='Entry',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('number', models.CharField(max_length=40, unique=True)),
                ('booked_on', models.DateField()),
                ('purpose', models.CharField(help_text='What about the document is booked', max_length=60)),
                ('document', models.CharField(help_text='What caused it, for instance payments/<id>', max_length=120)),
                ('description', models.CharField(max_length=200)),
                ('reference', models.CharField(blank=True, help_text='Number for people, for instance of a receipt', max_length=80)),
                ('currency', models.CharField(max_length=3)),
                ('total', models.DecimalField(decimal_places=2, max_digits=14)),
                ('line_count', models.PositiveSmallIntegerField()),
                ('reverses', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reversed_by', to='ledger.entry')),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
            ],
            options={
                'verbose_name_plural': 'entries',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='ledger_entry_newest'), models.Index(fields=['branch', 'booked_on'], name='ledger_entry_day')],
                'constraints': [models.UniqueConstraint(fields=('document', 'purpose'), name='ledger_document_booked_once'), models.CheckConstraint(condition=models.Q(models.Q(('document', ''), _negated=True), models.Q(('purpose', ''), _negated=True)), name='ledger_entry_has_a_cause'), models.CheckConstraint(condition=models.Q(('total__gt', 0), ('line_count__gte', 2)), name='ledger_entry_books_something')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Account',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('code', models.CharField(max_length=12, unique=True)),
                ('name', models.CharField(max_length=80)),
                ('kind', models.CharField(choices=[('asset', 'Asset'), ('liability', 'Liability'), ('income', 'Income'), ('expense', 'Expense'), ('equity', 'Equity')], max_length=10)),
                ('role', models.CharField(max_length=40, null=True, unique=True)),
            ],
            options={
                'ordering': ['code'],
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['asset', 'liability', 'income', 'expense', 'equity'])), name='ledger_account_kind_known')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='EntryPosition',
            fields=[
                ('entry', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, primary_key=True, related_name='settled', serialize=False, to='ledger.entry')),
                ('position', models.PositiveBigIntegerField(unique=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [],
                'constraints': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='JournalExport',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('exporter', models.CharField(max_length=80)),
                ('made_by', models.CharField(help_text='Plugin and version that made the file', max_length=120)),
                ('exporter_settings', models.JSONField(default=dict)),
                ('media_type', models.CharField(max_length=80)),
                ('file_name', models.CharField(max_length=160)),
                ('after_position', models.PositiveBigIntegerField()),
                ('upto_position', models.PositiveBigIntegerField()),
                ('entry_count', models.PositiveIntegerField()),
                ('line_count', models.PositiveIntegerField()),
                ('totals', models.JSONField(help_text='Sum of the debits, which is that of the credits, by currency')),
                ('booked_from', models.DateField()),
                ('booked_to', models.DateField()),
                ('sha256', models.CharField(max_length=64)),
                ('byte_count', models.PositiveBigIntegerField()),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['exporter', 'branch', '-upto_position'], name='ledger_export_last')],
                'constraints': [models.UniqueConstraint(fields=('exporter', 'branch', 'after_position'), name='ledger_export_follows'), models.UniqueConstraint(condition=models.Q(('branch__isnull', True)), fields=('exporter', 'after_position'), name='ledger_group_export_follows'), models.CheckConstraint(condition=models.Q(('upto_position__gt', models.F('after_position')), ('entry_count__gt', 0)), name='ledger_export_has_entries')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='JournalTail',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('last', models.PositiveBigIntegerField(default=0)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('id', 1)), name='ledger_one_tail')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='Line',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('entry', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='ledger.entry')),
                ('line_no', models.PositiveSmallIntegerField()),
                ('account', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='ledger.account')),
                ('debit', models.DecimalField(decimal_places=2, default=0, max_digits=14)),
                ('credit', models.DecimalField(decimal_places=2, default=0, max_digits=14)),
                ('tax_code', models.CharField(blank=True, max_length=20)),
                ('party', models.CharField(blank=True, help_text='Whose money, for instance customers/<id>', max_length=120)),
            ],
            options={
                'ordering': ['line_no'],
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(condition=models.Q(('party', ''), _negated=True), fields=['party', 'account'], name='ledger_line_party')],
                'constraints': [models.UniqueConstraint(fields=('entry', 'line_no'), name='ledger_line_once'), models.CheckConstraint(condition=models.Q(models.Q(('debit__gt', 0), ('credit', 0)), models.Q(('credit__gt', 0), ('debit', 0)), _connector='OR'), name='ledger_line_has_one_side')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Period',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('month', models.DateField(help_text='Its first day')),
                ('is_closed', models.BooleanField(default=True)),
                ('changed_at', models.DateTimeField()),
                ('reason', models.CharField(blank=True, help_text='Why it was opened again', max_length=200)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('branch', 'month'), name='ledger_period_once_per_branch'), models.UniqueConstraint(condition=models.Q(('branch__isnull', True)), fields=('month',), name='ledger_period_once_for_company'), models.CheckConstraint(condition=models.Q(('month__day', 1)), name='ledger_period_is_a_month'), models.CheckConstraint(condition=models.Q(('is_closed', True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='ledger_reopening_explained')],
                'indexes': [],
            },
        ),
    ])]
