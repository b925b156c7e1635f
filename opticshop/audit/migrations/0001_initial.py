import django.db.models.deletion
import django.db.models.functions.datetime
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    dependencies = [
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='AuditEntry',
            fields=[
                ('id', models.BigAutoField(primary_key=True, serialize=False)),
                ('at', models.DateTimeField(db_default=django.db.models.functions.datetime.Now(), editable=False)),
                ('actor_id', models.UUIDField(null=True)),
                ('actor_label', models.CharField(db_default='unknown', help_text='As it was called at that time.', max_length=200)),
                ('actor_kind', models.CharField(db_default='unknown', max_length=10)),
                ('via', models.CharField(db_default='', help_text='Session, client of the API, or program.', max_length=100)),
                ('address', models.GenericIPAddressField(null=True)),
                ('request_id', models.CharField(db_default='', max_length=64)),
                ('method', models.CharField(db_default='', max_length=10)),
                ('route', models.CharField(db_default='', help_text='The pattern of the address, without its values.', max_length=200)),
                ('reason', models.CharField(db_default='', help_text='As said by the caller in X-Access-Reason.', max_length=300)),
                ('action', models.CharField(choices=[('create', 'Create'), ('change', 'Change'), ('delete', 'Delete'), ('sign-in', 'Sign In'), ('sign-in-failed', 'Sign In Failed'), ('sign-out', 'Sign Out'), ('export', 'Export'), ('refused', 'Refused'), ('other', 'Other')], max_length=20)),
                ('table_name', models.CharField(db_default='', max_length=80)),
                ('row_id', models.CharField(db_default='', max_length=64)),
                ('customer_id', models.UUIDField(help_text='Whom it is about, where that is known.', null=True)),
                ('branch_id', models.UUIDField(null=True)),
                ('before', models.JSONField(help_text='Changed columns as they were; the whole row if it was deleted.', null=True)),
                ('after', models.JSONField(help_text='Changed columns as they are; the whole row if it was created.', null=True)),
            ],
            options={
                'indexes': [models.Index(fields=['table_name', 'row_id', 'id'], name='audit_entry_row'), models.Index(fields=['actor_id', 'id'], name='audit_entry_actor'), models.Index(condition=models.Q(('customer_id__isnull', False)), fields=['customer_id', 'id'], name='audit_entry_customer'), models.Index(fields=['branch_id', 'id'], name='audit_entry_branch'), models.Index(fields=['at'], name='audit_entry_at'), models.Index(condition=models.Q(('request_id', ''), _negated=True), fields=['request_id'], name='audit_entry_request'), models.Index(fields=['address', 'id'], name='audit_entry_address'), models.Index(fields=['action', 'id'], name='audit_entry_action')],
                'constraints': [models.CheckConstraint(condition=models.Q(('action__in', ['create', 'change', 'delete', 'sign-in', 'sign-in-failed', 'sign-out', 'export', 'refused', 'other'])), name='audit_action_known')],
            },
        ),
        migrations.CreateModel(
            name='AuditRead',
            fields=[
                ('id', models.BigAutoField(primary_key=True, serialize=False)),
                ('at', models.DateTimeField(db_default=django.db.models.functions.datetime.Now(), editable=False)),
                ('actor_id', models.UUIDField(null=True)),
                ('actor_label', models.CharField(db_default='unknown', help_text='As it was called at that time.', max_length=200)),
                ('actor_kind', models.CharField(db_default='unknown', max_length=10)),
                ('via', models.CharField(db_default='', help_text='Session, client of the API, or program.', max_length=100)),
                ('address', models.GenericIPAddressField(null=True)),
                ('request_id', models.CharField(db_default='', max_length=64)),
                ('method', models.CharField(db_default='', max_length=10)),
                ('route', models.CharField(db_default='', help_text='The pattern of the address, without its values.', max_length=200)),
                ('reason', models.CharField(db_default='', help_text='As said by the caller in X-Access-Reason.', max_length=300)),
                ('kind', models.CharField(db_default='', help_text='The table of what was shown.', max_length=80)),
                ('ids', models.JSONField(default=list, help_text='Keys of what was shown, at most a page.')),
                ('status', models.PositiveSmallIntegerField(default=200)),
                ('branch_ids', models.JSONField(default=list, help_text='Branches of what was shown.')),
            ],
            options={
                'indexes': [models.Index(fields=['actor_id', 'id'], name='audit_read_actor'), models.Index(fields=['at'], name='audit_read_at'), models.Index(fields=['request_id'], name='audit_read_request'), models.Index(fields=['address', 'id'], name='audit_read_address'), models.Index(fields=['kind', 'id'], name='audit_read_kind')],
                'constraints': [],
            },
        ),
        migrations.CreateModel(
            name='AuditSeal',
            fields=[
                ('number', models.PositiveBigIntegerField(primary_key=True, serialize=False)),
                ('at', models.DateTimeField(editable=False)),
                ('entries_after', models.BigIntegerField()),
                ('entries_upto', models.BigIntegerField()),
                ('entry_count', models.PositiveIntegerField()),
                ('reads_after', models.BigIntegerField()),
                ('reads_upto', models.BigIntegerField()),
                ('read_count', models.PositiveIntegerField()),
                ('leaves', models.BinaryField()),
                ('previous_hash', models.CharField(max_length=64, unique=True)),
                ('hash', models.CharField(max_length=64, unique=True)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('entries_after__lte', models.F('entries_upto')), ('reads_after__lte', models.F('reads_upto'))), name='audit_seal_goes_forward')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='AuditReadSubject',
            fields=[
                ('id', models.BigAutoField(primary_key=True, serialize=False)),
                ('read', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name='subjects', to='audit.auditread')),
                ('customer_id', models.UUIDField()),
            ],
            options={
                'indexes': [models.Index(fields=['customer_id', 'read'], name='audit_read_subject_customer')],
                'constraints': [models.UniqueConstraint(fields=('read', 'customer_id'), name='audit_read_subject_once')],
            },
        ),
    ])]
