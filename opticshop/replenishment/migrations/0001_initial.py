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
        ('purchasing', '0001_initial'),
        ('stock', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='ReplenishmentRun',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('advised_on', models.DateField(help_text='The day at the first branch')),
                ('currency', models.CharField(max_length=3)),
                ('parameters', models.JSONField(help_text='What was asked for: service, history, review, lead time, cover, transfers')),
                ('method', models.CharField(help_text='Version of the computation', max_length=20)),
                ('budget', models.DecimalField(decimal_places=2, max_digits=12, null=True)),
                ('cost', models.DecimalField(decimal_places=2, help_text='Of all that is suggested to be bought', max_digits=12)),
                ('cost_without_budget', models.DecimalField(decimal_places=2, max_digits=12)),
                ('pieces_to_buy', models.PositiveIntegerField()),
                ('pieces_to_transfer', models.PositiveIntegerField()),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
                ('branches', models.ManyToManyField(related_name='+', to='branches.branch')),
                ('lenses', models.ManyToManyField(related_name='+', to='catalogue.lensproduct')),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('budget__isnull', True), ('cost__lte', models.F('budget')), _connector='OR'), name='replenishment_within_budget')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='ReplenishmentLine',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('run', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='replenishment.replenishmentrun')),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('item', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='stock.stockitem')),
                ('abc_class', models.CharField(help_text='A, B, C by value moved at the branch; D did not move', max_length=1)),
                ('on_hand', models.PositiveIntegerField()),
                ('available', models.PositiveIntegerField()),
                ('on_order', models.PositiveIntegerField(help_text='Sent to suppliers and not yet received')),
                ('in_transit', models.PositiveIntegerField(help_text='Sent here by other branches and not yet arrived')),
                ('drafted', models.IntegerField(help_text='In draft orders and transfers to this branch, less in drafts leaving it')),
                ('position', models.IntegerField()),
                ('pieces_used', models.PositiveIntegerField(help_text='In the weeks of history')),
                ('weeks', models.PositiveIntegerField(help_text='Of history of the product at the branch')),
                ('weekly_mean', models.FloatField()),
                ('mean_error', models.FloatField(help_text='Standard error of the weekly mean')),
                ('dispersion', models.FloatField(help_text='Variance over mean of a week; 1 when pieces come one by one')),
                ('borrowed', models.FloatField(help_text='Share of the mean that rests on other branches')),
                ('family', models.CharField(help_text='How pieces come: none, poisson or negative_binomial', max_length=20)),
                ('lead_days', models.PositiveIntegerField(help_text='Calendar days from order to arrival')),
                ('reorder_point', models.PositiveIntegerField(null=True)),
                ('order_up_to', models.PositiveIntegerField()),
                ('cycle_service', models.FloatField(help_text='Expected, at the reorder level')),
                ('fill_rate', models.FloatField(help_text='Expected, at the reorder level')),
                ('pack_size', models.PositiveIntegerField(default=1)),
                ('unit_cost', models.DecimalField(decimal_places=2, max_digits=10, null=True)),
                ('supplier', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='purchasing.supplier')),
                ('transfer_from', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('transfer_quantity', models.PositiveIntegerField(default=0)),
                ('wanted_quantity', models.PositiveIntegerField(default=0, help_text='To buy, in whole packs, were there no budget')),
                ('buy_quantity', models.PositiveIntegerField(default=0)),
                ('cost', models.DecimalField(decimal_places=2, default=0, max_digits=12)),
                ('explanation', models.TextField()),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['run', '-id'], name='replenishment_line_run'), models.Index(fields=['branch', '-id'], name='replenishment_line_branch')],
                'constraints': [models.UniqueConstraint(fields=('run', 'branch', 'item'), name='replenishment_line_once'), models.CheckConstraint(condition=models.Q(('buy_quantity__lte', models.F('wanted_quantity'))), name='replenishment_buys_no_more_than_wanted'), models.CheckConstraint(condition=models.Q(('transfer_quantity', 0), ('transfer_from__isnull', False), _connector='OR'), name='replenishment_transfer_has_sender'), models.CheckConstraint(condition=models.Q(('transfer_from__isnull', True), models.Q(('transfer_from', models.F('branch')), _negated=True), _connector='OR'), name='replenishment_not_to_itself'), models.CheckConstraint(condition=models.Q(('buy_quantity', 0), models.Q(('supplier__isnull', False), ('unit_cost__isnull', False)), _connector='OR'), name='replenishment_purchase_has_supplier')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Acceptance',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('line', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='acceptance', to='replenishment.replenishmentline')),
                ('buy_quantity', models.PositiveIntegerField()),
                ('transfer_quantity', models.PositiveIntegerField()),
                ('purchase_order', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='purchasing.purchaseorder')),
                ('transfer', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='stock.transfer')),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.CheckConstraint(condition=models.Q(('purchase_order__isnull', False), ('transfer__isnull', False), _connector='OR'), name='replenishment_accepted_into_something')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
