import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from decimal import Decimal
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    # The tables of others first: Django makes every related model anew with each of their alterations.
    dependencies = [
        ('admin', '0003_logentry_add_action_flag_choices'),
        ('oauth2_provider', '0022_refreshtoken_token_family_index'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Frame',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('sku', models.CharField(max_length=40, unique=True)),
                ('name', models.CharField(max_length=120)),
                ('price', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(default='GBP', max_length=3)),
                ('tax_category', models.CharField(choices=[('standard', 'Standard'), ('reduced', 'Reduced'), ('zero', 'Zero'), ('exempt', 'Exempt')], default='standard', max_length=10)),
                ('is_active', models.BooleanField(default=True)),
                ('maker', models.CharField(blank=True, max_length=80)),
                ('colour', models.CharField(blank=True, max_length=60)),
                ('material', models.CharField(choices=[('acetate', 'Acetate'), ('propionate', 'Propionate'), ('polyamide', 'Polyamide'), ('carbon', 'Carbon'), ('metal', 'Metal'), ('titanium', 'Titanium'), ('memory_metal', 'Memory Metal'), ('horn', 'Horn'), ('other', 'Other')], max_length=20)),
                ('mount', models.CharField(choices=[('full_rim', 'Full Rim'), ('half_rim', 'Half Rim'), ('rimless', 'Rimless')], default='full_rim', max_length=20)),
                ('box_width_mm', models.DecimalField(decimal_places=2, help_text='A', max_digits=6)),
                ('box_height_mm', models.DecimalField(decimal_places=2, help_text='B', max_digits=6)),
                ('bridge_mm', models.DecimalField(decimal_places=2, help_text='DBL, distance between the boxes', max_digits=6)),
                ('effective_diameter_mm', models.DecimalField(decimal_places=2, help_text='ED, twice the farthest distance from the boxed centre', max_digits=6)),
                ('side_length_mm', models.DecimalField(blank=True, decimal_places=2, max_digits=6, null=True)),
                ('gtin', models.CharField(blank=True, max_length=14)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('price__gte', 0)), name='catalogue_frame_price'), models.CheckConstraint(condition=models.Q(('box_width_mm__gt', 0), ('box_height_mm__gt', 0), ('bridge_mm__gt', 0)), name='catalogue_frame_box_positive'), models.CheckConstraint(condition=models.Q(('effective_diameter_mm__gte', models.F('box_width_mm')), ('effective_diameter_mm__gte', models.F('box_height_mm'))), name='catalogue_frame_ed_spans_box'), models.UniqueConstraint(condition=models.Q(('gtin', ''), _negated=True), fields=('gtin',), name='catalogue_frame_gtin_once')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='LensProduct',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('sku', models.CharField(max_length=40, unique=True)),
                ('name', models.CharField(max_length=120)),
                ('price', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(default='GBP', max_length=3)),
                ('tax_category', models.CharField(choices=[('standard', 'Standard'), ('reduced', 'Reduced'), ('zero', 'Zero'), ('exempt', 'Exempt')], default='standard', max_length=10)),
                ('is_active', models.BooleanField(default=True)),
                ('kind', models.CharField(choices=[('single_vision', 'Single Vision'), ('multifocal', 'Multifocal'), ('power_variation', 'Power Variation')], max_length=20)),
                ('supply', models.CharField(choices=[('finished', 'Finished stock lens'), ('made_to_order', 'Made to order by a supplier')], max_length=20)),
                ('material', models.CharField(max_length=60)),
                ('index', models.DecimalField(decimal_places=3, max_digits=4)),
                ('abbe', models.DecimalField(decimal_places=1, max_digits=4)),
                ('density_g_cm3', models.DecimalField(decimal_places=2, max_digits=4)),
                ('coating', models.CharField(blank=True, max_length=60)),
                ('transmittance_percent', models.DecimalField(blank=True, decimal_places=1, max_digits=4, null=True)),
                ('impact_resistant', models.BooleanField(default=False)),
                ('diameter_mm', models.DecimalField(decimal_places=2, max_digits=6)),
                ('usable_diameter_mm', models.DecimalField(decimal_places=2, max_digits=6)),
                ('sphere_min_dpt', models.DecimalField(decimal_places=2, max_digits=5)),
                ('sphere_max_dpt', models.DecimalField(decimal_places=2, max_digits=5)),
                ('cylinder_max_dpt', models.DecimalField(decimal_places=2, help_text='Largest cylinder, minus form, as a positive number', max_digits=5)),
                ('addition_min_dpt', models.DecimalField(blank=True, decimal_places=2, max_digits=5, null=True)),
                ('addition_max_dpt', models.DecimalField(blank=True, decimal_places=2, max_digits=5, null=True)),
                ('power_step_dpt', models.DecimalField(decimal_places=2, default=Decimal('0.25'), max_digits=5)),
                ('minimum_fitting_height_mm', models.DecimalField(blank=True, decimal_places=2, max_digits=6, null=True)),
                ('gtin', models.CharField(blank=True, max_length=14)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('price__gte', 0)), name='catalogue_lens_price'), models.CheckConstraint(condition=models.Q(('index__gte', 1.4), ('index__lte', 2)), name='catalogue_lens_index'), models.CheckConstraint(condition=models.Q(('abbe__gt', 0), ('density_g_cm3__gt', 0)), name='catalogue_lens_material'), models.CheckConstraint(condition=models.Q(('usable_diameter_mm__gt', 0), ('usable_diameter_mm__lte', models.F('diameter_mm'))), name='catalogue_lens_usable_within_blank'), models.CheckConstraint(condition=models.Q(('sphere_min_dpt__lte', models.F('sphere_max_dpt')), ('cylinder_max_dpt__gte', 0)), name='catalogue_lens_range'), models.CheckConstraint(condition=models.Q(('power_step_dpt__gt', 0)), name='catalogue_lens_step'), models.UniqueConstraint(condition=models.Q(('gtin', ''), _negated=True), fields=('gtin',), name='catalogue_lens_gtin_once')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='ServiceItem',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('sku', models.CharField(max_length=40, unique=True)),
                ('name', models.CharField(max_length=120)),
                ('price', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(default='GBP', max_length=3)),
                ('tax_category', models.CharField(choices=[('standard', 'Standard'), ('reduced', 'Reduced'), ('zero', 'Zero'), ('exempt', 'Exempt')], default='standard', max_length=10)),
                ('is_active', models.BooleanField(default=True)),
                ('is_dispensing', models.BooleanField(default=False, help_text='Charged once on every order of spectacles')),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('price__gte', 0)), name='catalogue_service_price'), models.UniqueConstraint(condition=models.Q(('is_active', True), ('is_dispensing', True)), fields=('is_dispensing',), name='catalogue_one_dispensing_service')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='TaxRate',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('jurisdiction', models.CharField(max_length=20)),
                ('category', models.CharField(choices=[('standard', 'Standard'), ('reduced', 'Reduced'), ('zero', 'Zero'), ('exempt', 'Exempt')], max_length=10)),
                ('percent', models.DecimalField(decimal_places=2, max_digits=5)),
                ('valid_from', models.DateField()),
                ('source', models.CharField(max_length=200)),
                ('confidence', models.CharField(max_length=40)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('jurisdiction', 'category', 'valid_from'), name='catalogue_tax_rate_once'), models.CheckConstraint(condition=models.Q(('percent__gte', 0), ('percent__lt', 100)), name='catalogue_tax_rate_range'), models.CheckConstraint(condition=models.Q(models.Q(('category__in', ['zero', 'exempt']), _negated=True), ('percent', 0), _connector='OR'), name='catalogue_tax_free_is_zero')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='LensSurface',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('product', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='surfaces', to='catalogue.lensproduct')),
                ('sphere_from_dpt', models.DecimalField(decimal_places=2, max_digits=5)),
                ('sphere_to_dpt', models.DecimalField(decimal_places=2, max_digits=5)),
                ('front_power_dpt', models.DecimalField(decimal_places=2, help_text="Front surface power at the material's own index", max_digits=5)),
                ('centre_thickness_mm', models.DecimalField(decimal_places=2, help_text='Least centre thickness; a plus lens may need more', max_digits=6)),
                ('edge_thickness_mm', models.DecimalField(decimal_places=2, default=Decimal('1.00'), help_text='Least edge thickness of a plus lens', max_digits=6)),
            ],
            options={
                'ordering': ['sphere_from_dpt'],
                'constraints': [models.CheckConstraint(condition=models.Q(('sphere_from_dpt__lte', models.F('sphere_to_dpt'))), name='catalogue_surface_range'), models.CheckConstraint(condition=models.Q(('centre_thickness_mm__gt', 0), ('edge_thickness_mm__gte', 0)), name='catalogue_surface_thickness'), models.UniqueConstraint(fields=('product', 'sphere_from_dpt'), name='catalogue_surface_once')],
                'indexes': [],
            },
        ),
    ])]
