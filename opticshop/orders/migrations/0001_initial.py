import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
        ('branches', '0001_initial'),
        ('catalogue', '0001_initial'),
        ('customers', '0001_initial'),
        ('prescriptions', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Order',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('number', models.CharField(max_length=40, unique=True)),
                ('frame_is_customers', models.BooleanField(default=False, help_text="The customer's own frame: nothing is reserved or charged for it")),
                ('purpose', models.CharField(default='distance', help_text='distance, near or intermediate', max_length=12)),
                ('state', models.CharField(choices=[('placed', 'Placed'), ('in_workshop', 'In Workshop'), ('ready', 'Ready'), ('collected', 'Collected'), ('cancelled', 'Cancelled')], default='placed', max_length=12)),
                ('placed_at', models.DateTimeField()),
                ('promised_on', models.DateField()),
                ('ready_at', models.DateTimeField(null=True)),
                ('collected_at', models.DateTimeField(null=True)),
                ('cancelled_reason', models.CharField(blank=True, max_length=300)),
                ('currency', models.CharField(max_length=3)),
                ('total', models.DecimalField(decimal_places=2, max_digits=10)),
                ('tax_total', models.DecimalField(decimal_places=2, max_digits=10)),
                ('computation', models.JSONField(default=dict, help_text='Inputs as understood, results, assumptions, versions')),
                ('warnings', models.JSONField(default=list)),
                ('note', models.TextField(blank=True)),
                ('replacement_reason', models.CharField(blank=True, db_default='', default='', max_length=300)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='orders', to='customers.customer')),
                ('frame', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.frame')),
                ('measurement', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='prescriptions.measurement')),
                ('override', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='prescriptions.dispensingoverride')),
                ('placed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('prescription', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='orders', to='prescriptions.prescription')),
                ('replaces', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='replacements', to='orders.order')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='orders_branch_newest'), models.Index(fields=['branch', 'state', '-id'], name='orders_branch_state'), models.Index(fields=['customer', '-id'], name='orders_customer')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['placed', 'in_workshop', 'ready', 'collected', 'cancelled'])), name='orders_state_known'), models.CheckConstraint(condition=models.Q(('total__gte', 0), ('tax_total__gte', 0)), name='orders_total_not_negative'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'cancelled'), _negated=True), models.Q(('cancelled_reason', ''), _negated=True), _connector='OR'), name='orders_cancel_explained'), models.CheckConstraint(condition=models.Q(('replaces__isnull', True), models.Q(('replacement_reason', ''), _negated=True), _connector='OR'), name='orders_replacement_explained'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'collected'), _negated=True), ('collected_at__isnull', False), _connector='OR'), name='orders_collected_when')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='OrderedLens',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('eye', models.CharField(max_length=5)),
                ('sphere_dpt', models.DecimalField(decimal_places=2, help_text='To supply, minus-cylinder form', max_digits=5)),
                ('cylinder_dpt', models.DecimalField(decimal_places=2, max_digits=5)),
                ('axis_deg', models.PositiveSmallIntegerField(null=True)),
                ('addition_dpt', models.DecimalField(decimal_places=2, max_digits=4, null=True)),
                ('prism_in_dpt', models.DecimalField(decimal_places=2, default=0, help_text='Base in positive', max_digits=5)),
                ('prism_up_dpt', models.DecimalField(decimal_places=2, default=0, help_text='Base up positive', max_digits=5)),
                ('centration_distance_mm', models.DecimalField(decimal_places=1, help_text='From the middle of the bridge', max_digits=4)),
                ('centration_height_mm', models.DecimalField(decimal_places=1, help_text='Above the lowest boxed tangent', max_digits=4)),
                ('is_special_order', models.BooleanField(default=False, help_text='Ordered for this pair instead of taken from stock')),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='lenses', to='orders.order')),
                ('product', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.lensproduct')),
            ],
            options={
                'ordering': ['-eye'],
                'constraints': [models.UniqueConstraint(fields=('order', 'eye'), name='orders_lens_once_per_eye'), models.CheckConstraint(condition=models.Q(('eye__in', ['right', 'left'])), name='orders_lens_eye_known'), models.CheckConstraint(condition=models.Q(('cylinder_dpt__lte', 0)), name='orders_lens_minus_cylinder'), models.CheckConstraint(condition=models.Q(models.Q(('cylinder_dpt', 0), ('axis_deg__isnull', True)), models.Q(models.Q(('cylinder_dpt', 0), _negated=True), ('axis_deg__gte', 1), ('axis_deg__lte', 180)), _connector='OR'), name='orders_lens_axis_with_cylinder')],
            },
        ),
        migrations.CreateModel(
            name='OrderLine',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('position', models.PositiveSmallIntegerField()),
                ('kind', models.CharField(help_text='frame, lens, service or adjustment', max_length=10)),
                ('eye', models.CharField(blank=True, max_length=5)),
                ('sku', models.CharField(max_length=40)),
                ('description', models.CharField(max_length=200)),
                ('quantity', models.PositiveSmallIntegerField(default=1)),
                ('unit_price', models.DecimalField(decimal_places=2, max_digits=10)),
                ('discount', models.DecimalField(decimal_places=2, default=0, max_digits=10)),
                ('discount_reason', models.CharField(blank=True, max_length=200)),
                ('gross', models.DecimalField(decimal_places=2, max_digits=10)),
                ('tax_category', models.CharField(max_length=10)),
                ('tax_rate_percent', models.DecimalField(decimal_places=2, max_digits=5)),
                ('tax', models.DecimalField(decimal_places=2, max_digits=10)),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='lines', to='orders.order')),
            ],
            options={
                'ordering': ['position'],
                'constraints': [models.UniqueConstraint(fields=('order', 'position'), name='orders_line_position'), models.CheckConstraint(condition=models.Q(('gross__gte', 0), ('discount__gte', 0), ('tax__gte', 0)), name='orders_line_not_negative')],
            },
        ),
        migrations.CreateModel(
            name='Promise',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('promised_on', models.DateField()),
                ('reason', models.CharField(max_length=300)),
                ('basis', models.JSONField(default=dict, help_text='What the day was reckoned from; empty where a person named it')),
                ('made_at', models.DateTimeField()),
                ('made_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='promises', to='orders.order')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='orders_promise_explained')],
            },
        ),
    ]
