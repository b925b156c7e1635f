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
            name='OutsideIdentifier',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('kind', models.CharField(choices=[('patient', 'Patient'), ('prescription', 'Prescription')], max_length=12)),
                ('system', models.CharField(help_text='Whose number it is, as an absolute URI', max_length=200)),
                ('value', models.CharField(max_length=200)),
                ('customer', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='outside_identifiers', to='customers.customer')),
                ('prescription', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='outside_identifiers', to='prescriptions.prescription')),
            ],
            options={
                'db_table': 'exchange_outside_identifier',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['value', 'kind'], name='exchange_outside_value')],
                'constraints': [models.UniqueConstraint(fields=('kind', 'branch', 'system', 'value'), name='exchange_outside_once'), models.CheckConstraint(condition=models.Q(models.Q(('customer__isnull', False), ('kind', 'patient'), ('prescription__isnull', True)), models.Q(('customer__isnull', True), ('kind', 'prescription'), ('prescription__isnull', False)), _connector='OR'), name='exchange_outside_names_one'), models.CheckConstraint(condition=models.Q(models.Q(('system', ''), _negated=True), models.Q(('value', ''), _negated=True)), name='exchange_outside_complete')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
