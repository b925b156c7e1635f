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
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='CheckPiece',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('name', models.CharField(max_length=80)),
                ('quantity', models.CharField(choices=[('zero_dpt', 'Zero reading, no lens'), ('power_dpt', 'Vertex power of a test lens'), ('prism_dpt', 'Prism of a test prism'), ('axis_deg', 'Axis of a marked test lens'), ('length_mm', 'Length, distance or size'), ('thickness_mm', 'Thickness'), ('curve_dpt', 'Surface power on a surface of known curve'), ('temperature_c', 'Temperature')], max_length=16)),
                ('certified_value', models.DecimalField(decimal_places=3, help_text='In the unit of the quantity', max_digits=9)),
                ('uncertainty', models.DecimalField(decimal_places=3, default=0, help_text='Expanded uncertainty of the certified value, k=2', max_digits=9)),
                ('permitted_error', models.DecimalField(decimal_places=3, help_text="In place of the table, for instance the maker's limit", max_digits=9, null=True)),
                ('certificate', models.CharField(blank=True, max_length=120)),
                ('certificate_expires_on', models.DateField(null=True)),
                ('is_active', models.BooleanField(default=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='instruments_piece_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('quantity__in', ['zero_dpt', 'power_dpt', 'prism_dpt', 'axis_deg', 'length_mm', 'thickness_mm', 'curve_dpt', 'temperature_c'])), name='instruments_quantity_known'), models.CheckConstraint(condition=models.Q(('uncertainty__gte', 0)), name='instruments_piece_uncertainty'), models.CheckConstraint(condition=models.Q(('permitted_error__isnull', True), ('permitted_error__gt', 0), _connector='OR'), name='instruments_piece_permitted')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Instrument',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('kind', models.CharField(choices=[('focimeter', 'Focimeter'), ('pupilmeter', 'Pupilmeter'), ('ruler', 'Ruler'), ('thickness_gauge', 'Thickness gauge'), ('lens_clock', 'Lens clock (sagitta gauge)'), ('tracer', 'Frame tracer'), ('edger', 'Edger'), ('groover', 'Groover'), ('heater', 'Frame heater'), ('tint_bath', 'Tint bath'), ('other', 'Other')], max_length=20)),
                ('name', models.CharField(max_length=80)),
                ('serial_number', models.CharField(blank=True, max_length=60)),
                ('in_service', models.BooleanField(default=True)),
                ('out_reason', models.CharField(blank=True, help_text='Why it is out of service', max_length=300)),
                ('interval_days', models.PositiveSmallIntegerField(help_text='In place of the intervals of its kind', null=True)),
                ('power_uncertainty_dpt', models.DecimalField(decimal_places=3, help_text='Expanded, k=2; in place of the typical value of its kind', max_digits=9, null=True)),
                ('prism_uncertainty_dpt', models.DecimalField(decimal_places=3, help_text='Expanded, k=2', max_digits=9, null=True)),
                ('axis_uncertainty_deg', models.DecimalField(decimal_places=3, help_text='Expanded, k=2', max_digits=9, null=True)),
                ('length_uncertainty_mm', models.DecimalField(decimal_places=3, help_text='Expanded, k=2', max_digits=9, null=True)),
                ('note', models.CharField(blank=True, max_length=500)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='instruments_newest')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'name'), name='instruments_name_once_per_branch'), models.CheckConstraint(condition=models.Q(('kind__in', ['focimeter', 'pupilmeter', 'ruler', 'thickness_gauge', 'lens_clock', 'tracer', 'edger', 'groover', 'heater', 'tint_bath', 'other'])), name='instruments_kind_known'), models.CheckConstraint(condition=models.Q(('in_service', True), models.Q(('out_reason', ''), _negated=True), _connector='OR'), name='instruments_out_explained'), models.CheckConstraint(condition=models.Q(('interval_days__isnull', True), ('interval_days__gte', 1), _connector='OR'), name='instruments_interval_positive')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='CheckReading',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('instrument', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='checks', to='instruments.instrument')),
                ('piece', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='instruments.checkpiece')),
                ('quantity', models.CharField(choices=[('zero_dpt', 'Zero reading, no lens'), ('power_dpt', 'Vertex power of a test lens'), ('prism_dpt', 'Prism of a test prism'), ('axis_deg', 'Axis of a marked test lens'), ('length_mm', 'Length, distance or size'), ('thickness_mm', 'Thickness'), ('curve_dpt', 'Surface power on a surface of known curve'), ('temperature_c', 'Temperature')], max_length=16)),
                ('certified_value', models.DecimalField(decimal_places=3, max_digits=9)),
                ('piece_uncertainty', models.DecimalField(decimal_places=3, max_digits=9)),
                ('reading', models.DecimalField(decimal_places=3, max_digits=9)),
                ('deviation', models.DecimalField(decimal_places=3, help_text='Reading minus certified value; for an axis the smaller angle', max_digits=9)),
                ('permitted_error', models.DecimalField(decimal_places=3, help_text='Plus or minus, inclusive', max_digits=9)),
                ('limit_source', models.CharField(max_length=160)),
                ('limit_confidence', models.CharField(max_length=20)),
                ('near_limit', models.BooleanField(help_text='Closer to the limit than the piece itself is certain')),
                ('outcome', models.CharField(choices=[('pass', 'Pass'), ('fail', 'Fail')], max_length=4)),
                ('note', models.CharField(blank=True, max_length=300)),
                ('checked_at', models.DateTimeField()),
                ('checked_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='instruments_check_newest'), models.Index(fields=['instrument', '-id'], name='instruments_check_of'), models.Index(fields=['instrument', 'piece', 'outcome', '-id'], name='instruments_check_latest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('outcome__in', ['pass', 'fail'])), name='instruments_outcome_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='InstrumentPolicy',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('out_of_calibration', models.CharField(choices=[('flag', 'Use it, and say so in the record'), ('block', 'Refuse to record anything measured with it')], default='flag', max_length=5)),
            ],
            options={
                'verbose_name_plural': 'instrument policies',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.CheckConstraint(condition=models.Q(('out_of_calibration__in', ['flag', 'block'])), name='instruments_policy_known')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
