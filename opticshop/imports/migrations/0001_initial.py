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
        ('prices', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='ImportFile',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('kind', models.CharField(choices=[('customers', 'Customers'), ('prescriptions', 'Prescriptions'), ('stock', 'Opening balances of stock, lot by lot'), ('prices', 'Sale prices of the catalogue')], max_length=20)),
                ('state', models.CharField(choices=[('uploaded', 'Uploaded'), ('running', 'Running'), ('stopped', 'In the middle; can be run on'), ('done', 'Done'), ('cancelled', 'Before any row was applied')], default='uploaded', max_length=10)),
                ('file_name', models.CharField(blank=True, max_length=120)),
                ('content', models.BinaryField(help_text='The file, byte for byte; empty when all is done')),
                ('size', models.PositiveIntegerField(help_text='Bytes')),
                ('sha256', models.CharField(max_length=64)),
                ('is_repeat', models.BooleanField(default=False, help_text='Taken again although it was uploaded before')),
                ('encoding', models.CharField(choices=[('utf-8', 'Utf 8'), ('utf-8-sig', 'UTF-8 with a byte order mark'), ('windows-1252', 'Windows 1252')], max_length=20)),
                ('delimiter', models.CharField(max_length=1)),
                ('detected', models.JSONField(default=list, help_text='What of the reading was found out and not given')),
                ('decimal_mark', models.CharField(choices=[('.', 'Point'), (',', 'Comma')], default='.', max_length=1)),
                ('date_format', models.CharField(choices=[('YYYY-MM-DD', 'Ymd'), ('DD/MM/YYYY', 'Dmy Slash'), ('DD.MM.YYYY', 'Dmy Dot'), ('DD-MM-YYYY', 'Dmy Dash'), ('MM/DD/YYYY', 'Mdy Slash')], default='YYYY-MM-DD', max_length=10)),
                ('near_duplicates', models.CharField(choices=[('skip', 'A row that looks like somebody registered is left out and reported'), ('import', 'It is registered all the same')], default='skip', help_text='Of customers', max_length=10)),
                ('valid_from', models.DateField(help_text='Of prices: first day of the list they go into; without one they go into the catalogue', null=True)),
                ('price_list', models.ForeignKey(help_text='Made when the file ran', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='prices.pricelist')),
                ('headings', models.JSONField()),
                ('preview', models.JSONField(default=list, help_text='The first rows; empty when all is done')),
                ('mapping', models.JSONField(help_text='Our field -> heading')),
                ('rows_total', models.PositiveIntegerField()),
                ('tried', models.JSONField(help_text='The answer of the last dry run, read as the file is read now', null=True)),
                ('try_due', models.BooleanField(default=False, help_text='A dry run was asked for that is too long for one request')),
                ('uploaded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('run_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('started_at', models.DateTimeField(null=True)),
                ('ended_at', models.DateTimeField(null=True)),
                ('stopped_because', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='imports_branch_newest'), models.Index(condition=models.Q(('state', 'running')), fields=['id'], name='imports_running'), models.Index(condition=models.Q(('try_due', True)), fields=['id'], name='imports_try_due')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('is_repeat', False), models.Q(('state', 'cancelled'), _negated=True)), fields=('branch', 'kind', 'sha256'), name='imports_file_once'), models.CheckConstraint(condition=models.Q(('kind__in', ['customers', 'prescriptions', 'stock', 'prices'])), name='imports_kind_known'), models.CheckConstraint(condition=models.Q(('state__in', ['uploaded', 'running', 'stopped', 'done', 'cancelled'])), name='imports_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='ImportRow',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('file', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='rows', to='imports.importfile')),
                ('number', models.PositiveIntegerField(help_text='Line of the file on which the row ends; the headings are row 1')),
                ('cells', models.JSONField(help_text='As in the file; emptied when the row was applied')),
                ('state', models.CharField(choices=[('pending', 'Pending'), ('done', 'Done'), ('failed', 'Failed'), ('skipped', 'Skipped')], default='pending', max_length=10)),
                ('problems', models.JSONField(default=list)),
                ('external_id', models.CharField(blank=True, max_length=80)),
                ('made_type', models.CharField(blank=True, help_text='What the row made or changed', max_length=20)),
                ('made_id', models.UUIDField(null=True)),
                ('attempts', models.PositiveSmallIntegerField(default=0, help_text='How often it failed for no reason of its own')),
                ('settled_at', models.DateTimeField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['file', 'state', 'number'], name='imports_row_state'), models.Index(fields=['file', '-id'], name='imports_row_newest')],
                'constraints': [models.UniqueConstraint(fields=('file', 'number'), name='imports_row_once'), models.CheckConstraint(condition=models.Q(('state__in', ['pending', 'done', 'failed', 'skipped'])), name='imports_row_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='OutsideKey',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('kind', models.CharField(choices=[('customers', 'Customers'), ('prescriptions', 'Prescriptions'), ('stock', 'Opening balances of stock, lot by lot'), ('prices', 'Sale prices of the catalogue')], max_length=20)),
                ('external_id', models.CharField(max_length=80)),
                ('made_type', models.CharField(max_length=20)),
                ('made_id', models.UUIDField()),
                ('file', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='imports.importfile')),
                ('row_number', models.PositiveIntegerField()),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(fields=('branch', 'kind', 'external_id'), name='imports_outside_key_once')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
