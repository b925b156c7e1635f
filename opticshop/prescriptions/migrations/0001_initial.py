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
        ('catalogue', '0001_initial'),
        ('customers', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Prescription',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='prescriptions', to='customers.customer')),
                ('purpose', models.CharField(choices=[('general', 'General'), ('distance', 'Distance'), ('intermediate', 'Intermediate'), ('near', 'Near')], default='general', max_length=20)),
                ('issued_on', models.DateField()),
                ('expires_on', models.DateField()),
                ('expiry_source', models.CharField(help_text='Who or which rule set the expiry', max_length=200)),
                ('prescriber_name', models.CharField(max_length=120)),
                ('prescriber_registration', models.CharField(blank=True, max_length=40)),
                ('prescriber_practice', models.CharField(blank=True, max_length=200)),
                ('recall_months', models.PositiveSmallIntegerField(help_text='Interval stated by the prescriber', null=True)),
                ('vertex_distance_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('note', models.TextField(blank=True)),
                ('supersedes', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='superseded_by', to='prescriptions.prescription')),
                ('amendment_reason', models.CharField(blank=True, max_length=300)),
                ('recorded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='prescriptions_branch_newest'), models.Index(fields=['customer', 'branch', '-id'], name='prescriptions_customer'), models.Index(fields=['expires_on', 'id'], name='prescriptions_expiry')],
                'constraints': [models.CheckConstraint(condition=models.Q(('expires_on__gte', models.F('issued_on'))), name='prescriptions_expiry_after'), models.CheckConstraint(condition=models.Q(('prescriber_name', ''), _negated=True), name='prescriptions_prescriber_stated'), models.CheckConstraint(condition=models.Q(('supersedes__isnull', True), models.Q(('amendment_reason', ''), _negated=True), _connector='OR'), name='prescriptions_amendment_explained')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='PrescribedEye',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('prescription', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='eyes', to='prescriptions.prescription')),
                ('eye', models.CharField(choices=[('right', 'Right'), ('left', 'Left')], max_length=5)),
                ('entry', models.CharField(choices=[('lens', 'Lens'), ('balance', 'Balance lens: the eye does not see usefully'), ('occluded', 'Occluded')], default='lens', max_length=10)),
                ('sphere_dpt', models.DecimalField(decimal_places=2, help_text='Null: no power is stated', max_digits=5, null=True)),
                ('cylinder_dpt', models.DecimalField(decimal_places=2, default=0, max_digits=5)),
                ('axis_deg', models.PositiveSmallIntegerField(null=True)),
                ('addition_dpt', models.DecimalField(decimal_places=2, max_digits=4, null=True)),
            ],
            options={
                'ordering': ['-eye'],
                'constraints': [models.UniqueConstraint(fields=('prescription', 'eye'), name='prescriptions_eye_once'), models.CheckConstraint(condition=models.Q(('eye__in', ['right', 'left'])), name='prescriptions_eye_known'), models.CheckConstraint(condition=models.Q(models.Q(('entry', 'lens'), ('sphere_dpt__isnull', False)), models.Q(('entry__in', ['balance', 'occluded']), models.Q(('sphere_dpt__isnull', False), ('cylinder_dpt', 0), _connector='OR')), _connector='OR'), name='prescriptions_lens_has_power'), models.CheckConstraint(condition=models.Q(models.Q(('cylinder_dpt', 0), ('axis_deg__isnull', True)), models.Q(models.Q(('cylinder_dpt', 0), _negated=True), ('axis_deg__gte', 1), ('axis_deg__lte', 180)), _connector='OR'), name='prescriptions_axis_with_cylinder'), models.CheckConstraint(condition=models.Q(models.Q(('sphere_dpt__isnull', True), models.Q(('sphere_dpt__gte', -40), ('sphere_dpt__lte', 40)), _connector='OR'), ('cylinder_dpt__gte', -15), ('cylinder_dpt__lte', 15)), name='prescriptions_power_plausible'), models.CheckConstraint(condition=models.Q(('addition_dpt__isnull', True), models.Q(('addition_dpt__gt', 0), ('addition_dpt__lte', 10)), _connector='OR'), name='prescriptions_addition_plausible')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='DispensingOverride',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('prescription', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='overrides', to='prescriptions.prescription')),
                ('reason', models.CharField(max_length=500)),
                ('granted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('valid_until', models.DateField(help_text='Last day on which an order may be placed under it')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='prescriptions_override_explained')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='RecallFact',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='recall_facts', to='customers.customer')),
                ('flag', models.SlugField(db_index=False, max_length=60)),
                ('since_on', models.DateField()),
                ('until_on', models.DateField(help_text='Last day on which it held; null while it holds', null=True)),
                ('source', models.CharField(help_text='Who said so: the person, a letter, the prescriber', max_length=200)),
                ('note', models.CharField(blank=True, max_length=500)),
                ('recorded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('ended_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('struck_at', models.DateTimeField(null=True)),
                ('struck_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('struck_reason', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='prescriptions_fact_newest'), models.Index(fields=['customer', '-id'], name='prescriptions_fact_customer')],
                'constraints': [models.CheckConstraint(condition=models.Q(('until_on__isnull', True), ('until_on__gte', models.F('since_on')), _connector='OR'), name='prescriptions_fact_ends_after'), models.CheckConstraint(condition=models.Q(('source', ''), _negated=True), name='prescriptions_fact_has_source'), models.CheckConstraint(condition=models.Q(models.Q(('struck_at__isnull', True), ('struck_reason', '')), models.Q(('struck_at__isnull', False), models.Q(('struck_reason', ''), _negated=True)), _connector='OR'), name='prescriptions_fact_struck_why'), models.UniqueConstraint(condition=models.Q(('struck_at__isnull', True), ('until_on__isnull', True)), fields=('customer', 'flag'), name='prescriptions_fact_holds_once')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Measurement',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='measurements', to='customers.customer')),
                ('frame', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.frame')),
                ('taken_at', models.DateTimeField()),
                ('taken_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('method', models.CharField(choices=[('ruler', 'Ruler'), ('pupilmeter', 'Pupilmeter'), ('photo', 'Photo')], max_length=12)),
                ('pd_right_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('pd_left_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('pd_mm', models.DecimalField(decimal_places=1, help_text='Binocular, far', max_digits=4)),
                ('near_pd_right_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('near_pd_left_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('near_pd_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('height_right_mm', models.DecimalField(decimal_places=1, help_text='Above the lowest boxed tangent', max_digits=4, null=True)),
                ('height_left_mm', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('vertex_distance_mm', models.DecimalField(decimal_places=1, help_text='As worn', max_digits=4, null=True)),
                ('pantoscopic_deg', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('wrap_deg', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
                ('warnings', models.JSONField(default=list)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='prescriptions_meas_newest'), models.Index(fields=['customer', 'branch', '-id'], name='prescriptions_meas_customer')],
                'constraints': [models.CheckConstraint(condition=models.Q(('pd_mm__gte', 35), ('pd_mm__lte', 90)), name='prescriptions_pd_plausible'), models.CheckConstraint(condition=models.Q(models.Q(('pd_right_mm__isnull', True), ('pd_left_mm__isnull', True)), models.Q(('pd_right_mm__gt', 0), ('pd_left_mm__gt', 0)), _connector='OR'), name='prescriptions_monocular_pd_paired')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='PrescribedPrism',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('eye', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='prisms', to='prescriptions.prescribedeye')),
                ('amount_dpt', models.DecimalField(decimal_places=2, max_digits=4)),
                ('base', models.CharField(blank=True, choices=[('in', 'In'), ('out', 'Out'), ('up', 'Up'), ('down', 'Down')], max_length=4)),
                ('base_deg', models.DecimalField(decimal_places=1, max_digits=4, null=True)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('amount_dpt__gt', 0), ('amount_dpt__lte', 40)), name='prescriptions_prism_plausible'), models.CheckConstraint(condition=models.Q(models.Q(('base', ''), ('base_deg__gte', 0), ('base_deg__lte', 360)), models.Q(('base__in', ['in', 'out', 'up', 'down']), ('base_deg__isnull', True)), _connector='OR'), name='prescriptions_prism_one_base')],
                'indexes': [],
            },
        ),
    ])]
