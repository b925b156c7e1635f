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
        ('instruments', '0001_initial'),
        ('orders', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Bench',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('code', models.CharField(help_text='As it stands on the bench', max_length=12)),
                ('name', models.CharField(max_length=80)),
                ('is_active', models.BooleanField(default=True)),
            ],
            options={
                'verbose_name_plural': 'benches',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.UniqueConstraint(fields=('branch', 'code'), name='workshop_bench_code_once')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Job',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('number', models.CharField(max_length=40, unique=True)),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='jobs', to='orders.order')),
                ('attempt', models.PositiveSmallIntegerField(default=1)),
                ('eyes', models.JSONField(default=list, help_text='The eyes whose lenses are made in this attempt')),
                ('awaited_eyes', models.JSONField(default=list, help_text='Of these, the ones whose lens is not there yet')),
                ('cut_eyes', models.JSONField(default=list, help_text='The eyes whose present lens has begun to be cut')),
                ('state', models.CharField(choices=[('waiting', 'Waiting for lenses or frame'), ('open', 'On the bench or ready for it'), ('stopped', 'Stopped with a reason'), ('inspected', 'Passed the final inspection'), ('finished', 'Packed'), ('cancelled', 'Given up')], default='open', max_length=12)),
                ('stop_reason', models.CharField(blank=True, max_length=500)),
                ('awaits_frame', models.BooleanField(db_default=False, default=False, help_text='Its frame was lost; another is awaited')),
                ('remake_reason', models.CharField(blank=True, max_length=300)),
                ('remake_cause', models.CharField(blank=True, db_default='', default='', help_text='Code of ``causes``', max_length=24)),
                ('remake_borne_by', models.CharField(blank=True, choices=[('shop', 'The shop'), ('workshop', 'The workshop'), ('dispenser', 'Who dispensed'), ('supplier', 'The supplier'), ('prescriber', 'The prescriber'), ('patient', 'The patient'), ('insurer', 'An insurer')], db_default='', default='', max_length=12)),
                ('remake_cost', models.DecimalField(decimal_places=2, help_text='Cost of the lenses it replaces, as far as stock knows it', max_digits=10, null=True)),
                ('promised_on', models.DateField()),
                ('finished_at', models.DateTimeField(null=True)),
                ('bench', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='jobs', to='workshop.bench')),
                ('holder', models.ForeignKey(help_text='Who has it in hand', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('held_since', models.DateTimeField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='workshop_job_newest'), models.Index(fields=['branch', 'state', 'promised_on', 'id'], name='workshop_job_board')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('held_since__isnull', True), ('holder__isnull', True)), models.Q(('held_since__isnull', False), ('holder__isnull', False)), _connector='OR'), name='workshop_held_since_when'), models.UniqueConstraint(fields=('order', 'attempt'), name='workshop_job_attempt_once'), models.UniqueConstraint(condition=models.Q(('state__in', ['waiting', 'open', 'stopped', 'inspected'])), fields=('order',), name='workshop_one_live_job_per_order'), models.CheckConstraint(condition=models.Q(('state__in', ['waiting', 'open', 'stopped', 'inspected', 'finished', 'cancelled'])), name='workshop_job_state_known'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'stopped'), _negated=True), models.Q(('stop_reason', ''), _negated=True), _connector='OR'), name='workshop_stop_explained'), models.CheckConstraint(condition=models.Q(('attempt', 1), models.Q(('remake_reason', ''), _negated=True), _connector='OR'), name='workshop_remake_explained')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='FrameTrace',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='traces', to='workshop.job')),
                ('frame', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.frame')),
                ('format', models.CharField(choices=[('records', 'Data Communication Standard records'), ('csv', 'Table of radii or points'), ('svg', 'Drawing in millimetres')], max_length=8)),
                ('kind', models.CharField(blank=True, help_text='frame, pattern or demo_lens, where the file says so', max_length=10)),
                ('file_name', models.CharField(blank=True, max_length=120)),
                ('content', models.BinaryField(help_text='The file, byte for byte')),
                ('content_sha256', models.CharField(max_length=64)),
                ('eyes', models.JSONField(help_text='Per eye: points, sizes, what the file states, whether it is a mirror image')),
                ('dbl_mm', models.DecimalField(decimal_places=2, help_text='Distance between the lenses, where the file states it', max_digits=5, null=True)),
                ('mirror', models.JSONField(help_text='Right against mirrored left; null unless both were traced', null=True)),
                ('warnings', models.JSONField(default=list)),
                ('note', models.CharField(blank=True, max_length=300)),
                ('traced_at', models.DateTimeField()),
                ('traced_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['job', '-id'], name='workshop_trace_job')],
                'constraints': [models.CheckConstraint(condition=models.Q(('format__in', ['records', 'csv', 'svg'])), name='workshop_trace_format'), models.CheckConstraint(condition=models.Q(('dbl_mm__isnull', True), ('dbl_mm__gt', 0), _connector='OR'), name='workshop_trace_dbl')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Breakage',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='breakages', to='workshop.job')),
                ('eye', models.CharField(help_text='right or left; frame for the frame', max_length=5)),
                ('step', models.CharField(choices=[('verify', 'Verify the uncut lenses on the focimeter'), ('mark_up', 'Mark up'), ('trace', 'Trace the frame'), ('block', 'Lay out and block'), ('edge', 'Edge'), ('hand_edge', 'Hand-edge: safety bevel and corrections'), ('glaze', 'Glaze'), ('inspect', 'Final inspection'), ('set_up', 'Set up to standard alignment'), ('pack', 'Clean and pack')], max_length=12)),
                ('cause', models.CharField(db_default='other', default='other', help_text='Code of ``causes``', max_length=24)),
                ('borne_by', models.CharField(choices=[('shop', 'The shop'), ('workshop', 'The workshop'), ('dispenser', 'Who dispensed'), ('supplier', 'The supplier'), ('prescriber', 'The prescriber'), ('patient', 'The patient'), ('insurer', 'An insurer')], db_default='workshop', default='workshop', max_length=12)),
                ('reason', models.CharField(max_length=200)),
                ('cost', models.DecimalField(decimal_places=2, max_digits=10, null=True)),
                ('currency', models.CharField(blank=True, db_default='', default='', max_length=3)),
                ('replaced', models.BooleanField(help_text='Whether another lens of the same kind could be reserved at once')),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('eye__in', ['right', 'left', 'frame'])), name='workshop_breakage_part_known'), models.CheckConstraint(condition=models.Q(('cost__isnull', True), ('cost__gte', 0), _connector='OR'), name='workshop_breakage_cost'), models.CheckConstraint(condition=models.Q(('borne_by__in', ['shop', 'workshop', 'dispenser', 'supplier', 'prescriber', 'patient', 'insurer'])), name='workshop_breakage_bearer_known')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='JobStep',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='steps', to='workshop.job')),
                ('position', models.PositiveSmallIntegerField()),
                ('kind', models.CharField(choices=[('verify', 'Verify the uncut lenses on the focimeter'), ('mark_up', 'Mark up'), ('trace', 'Trace the frame'), ('block', 'Lay out and block'), ('edge', 'Edge'), ('hand_edge', 'Hand-edge: safety bevel and corrections'), ('glaze', 'Glaze'), ('inspect', 'Final inspection'), ('set_up', 'Set up to standard alignment'), ('pack', 'Clean and pack')], max_length=12)),
                ('state', models.CharField(choices=[('pending', 'Pending'), ('started', 'Started'), ('done', 'Done'), ('skipped', 'Skipped')], default='pending', max_length=8)),
                ('started_at', models.DateTimeField(null=True)),
                ('done_at', models.DateTimeField(null=True)),
                ('started_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by', models.ForeignKey(help_text='Who finished or skipped it', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('note', models.CharField(blank=True, max_length=500)),
            ],
            options={
                'ordering': ['position'],
                'constraints': [models.UniqueConstraint(fields=('job', 'position'), name='workshop_step_position'), models.UniqueConstraint(fields=('job', 'kind'), name='workshop_step_kind_once'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'skipped'), _negated=True), models.Q(('note', ''), _negated=True), _connector='OR'), name='workshop_skip_explained'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'done'), _negated=True), ('done_at__isnull', False), _connector='OR'), name='workshop_done_when')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='LensReading',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='readings', to='workshop.job')),
                ('eye', models.CharField(max_length=5)),
                ('sphere_dpt', models.DecimalField(decimal_places=2, max_digits=5)),
                ('cylinder_dpt', models.DecimalField(decimal_places=2, default=0, max_digits=5)),
                ('axis_deg', models.PositiveSmallIntegerField(null=True)),
                ('addition_dpt', models.DecimalField(decimal_places=2, max_digits=4, null=True)),
                ('prism_in_dpt', models.DecimalField(decimal_places=2, default=0, help_text='Base in positive', max_digits=5)),
                ('prism_up_dpt', models.DecimalField(decimal_places=2, default=0, help_text='Base up positive', max_digits=5)),
                ('outcome', models.CharField(max_length=12)),
                ('standard', models.CharField(help_text='Key of the tolerance standard for uncut lenses', max_length=80)),
                ('standard_version', models.CharField(help_text='Version of the plugin that judged', max_length=40)),
                ('verdict', models.JSONField()),
                ('instrument', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='lens_readings', to='instruments.instrument')),
                ('instrument_flag', models.CharField(blank=True, db_default='', default='', help_text='Why the instrument is doubtful, if it is', max_length=500)),
                ('of_current_lens', models.BooleanField(default=True, help_text='False once that lens was broken or replaced')),
                ('read_at', models.DateTimeField()),
                ('read_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('eye__in', ['right', 'left'])), name='workshop_reading_eye_known'), models.CheckConstraint(condition=models.Q(('cylinder_dpt', 0), models.Q(('axis_deg__gte', 1), ('axis_deg__lte', 180)), _connector='OR'), name='workshop_reading_axis_with_cylinder')],
                'indexes': [],
            },
        ),
    ])]
