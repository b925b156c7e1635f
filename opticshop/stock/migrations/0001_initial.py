import django.db.models.deletion
import django.db.models.expressions
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
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='StockItem',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('kind', models.CharField(choices=[('frame', 'Frame'), ('lens', 'Lens')], max_length=5)),
                ('frame', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='stock_item', to='catalogue.frame')),
                ('lens', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='stock_items', to='catalogue.lensproduct')),
                ('sphere_dpt', models.DecimalField(decimal_places=2, max_digits=5, null=True)),
                ('cylinder_dpt', models.DecimalField(decimal_places=2, max_digits=5, null=True)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('kind', 'frame'), ('frame__isnull', False), ('lens__isnull', True)), models.Q(('kind', 'lens'), ('lens__isnull', False), ('frame__isnull', True), ('sphere_dpt__isnull', False), ('cylinder_dpt__isnull', False), ('cylinder_dpt__lte', 0)), _connector='OR'), name='stock_item_is_one_thing'), models.UniqueConstraint(condition=models.Q(('kind', 'lens')), fields=('lens', 'sphere_dpt', 'cylinder_dpt'), name='stock_one_item_per_power')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='Lot',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('item', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lots', to='stock.stockitem')),
                ('code', models.CharField(help_text='Lot or packet code of the maker, or our own', max_length=40)),
                ('unit_cost', models.DecimalField(decimal_places=2, default=0, max_digits=10)),
                ('on_hand', models.PositiveIntegerField(default=0)),
                ('reserved', models.PositiveIntegerField(default=0)),
                ('in_transit', models.PositiveIntegerField(db_default=0, default=0)),
                ('lines', models.PositiveIntegerField(default=0, help_text='Number of the last line of its ledger')),
                ('is_quarantined', models.BooleanField(db_default=False, default=False)),
                ('quarantine_reason', models.CharField(blank=True, db_default='', default='', max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='stock_lot_branch_newest'), models.Index(fields=['item', 'branch', 'id'], name='stock_lot_item_branch')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'item', 'code'), name='stock_lot_once'), models.CheckConstraint(condition=models.Q(('in_transit__gte', 0)), name='stock_lot_transit_not_negative'), models.CheckConstraint(condition=models.Q(('is_quarantined', False), models.Q(('quarantine_reason', ''), _negated=True), _connector='OR'), name='stock_quarantine_explained'), models.CheckConstraint(condition=models.Q(('on_hand__gte', 0), ('reserved__gte', 0)), name='stock_lot_not_negative'), models.CheckConstraint(condition=models.Q(('reserved__lte', models.F('on_hand'))), name='stock_lot_not_oversold'), models.CheckConstraint(condition=models.Q(('unit_cost__gte', 0)), name='stock_lot_cost')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Movement',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='movements', to='stock.lot')),
                ('line', models.PositiveIntegerField(help_text='Counts the lines of the lot from 1')),
                ('kind', models.CharField(choices=[('receipt', 'Receipt'), ('reservation', 'Reservation'), ('release', 'Release'), ('consumption', 'Consumption'), ('write_off', 'Write Off'), ('transfer_out', 'Transfer Out'), ('transfer_in', 'Transfer In'), ('transfer_loss', 'Transfer Loss'), ('count_adjustment', 'Count Adjustment'), ('supplier_return', 'Supplier Return'), ('customer_return', 'Customer Return')], max_length=20)),
                ('on_hand_change', models.IntegerField()),
                ('reserved_change', models.IntegerField()),
                ('in_transit_change', models.IntegerField(db_default=0, default=0)),
                ('on_hand_after', models.PositiveIntegerField()),
                ('reserved_after', models.PositiveIntegerField()),
                ('in_transit_after', models.PositiveIntegerField(db_default=0, default=0)),
                ('unit_cost', models.DecimalField(decimal_places=2, max_digits=10)),
                ('document', models.CharField(help_text='What caused it, for instance orders/<id>', max_length=120)),
                ('reason', models.CharField(blank=True, max_length=200)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='stock_movement_newest'), models.Index(fields=['document'], name='stock_movement_document')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('on_hand_change', 0), _negated=True), models.Q(('reserved_change', 0), _negated=True), models.Q(('in_transit_change', 0), _negated=True), _connector='OR'), name='stock_movement_moves_something'), models.CheckConstraint(condition=models.Q(models.Q(('kind__in', ('receipt', 'customer_return')), ('on_hand_change__gt', 0), ('reserved_change', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('reservation',)), ('on_hand_change', 0), ('reserved_change__gt', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('release',)), ('on_hand_change', 0), ('reserved_change__lt', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('consumption',)), ('on_hand_change__lt', 0), ('reserved_change__lt', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('write_off',)), ('on_hand_change__lt', 0), ('reserved_change__lte', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('supplier_return',)), ('on_hand_change__lt', 0), ('reserved_change', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('count_adjustment',)), ('reserved_change', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('transfer_out',)), ('on_hand_change__lt', 0), ('reserved_change', 0), ('in_transit_change__gt', 0)), models.Q(('kind__in', ('transfer_in',)), ('on_hand_change__gte', 0), ('reserved_change', 0), ('in_transit_change__lte', 0)), models.Q(('kind__in', ('transfer_loss',)), ('on_hand_change', 0), ('reserved_change', 0), ('in_transit_change__lt', 0)), _connector='OR'), name='stock_movement_does_what_it_says'), models.CheckConstraint(condition=models.Q(('reserved_after__gte', 0), ('reserved_after__lte', models.F('on_hand_after'))), name='stock_movement_never_oversold'), models.UniqueConstraint(fields=('lot', 'line'), name='stock_movement_line_once'), models.CheckConstraint(condition=models.Q(models.Q(('kind', 'write_off'), _negated=True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='stock_write_off_explained'), models.CheckConstraint(condition=models.Q(models.Q(('kind__in', ['transfer_loss', 'count_adjustment', 'supplier_return', 'customer_return']), _negated=True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='stock_movement_explained')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Reservation',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='reservations', to='stock.lot')),
                ('document', models.CharField(max_length=120)),
                ('part', models.CharField(help_text='right, left or frame', max_length=10)),
                ('state', models.CharField(choices=[('active', 'Active'), ('consumed', 'Consumed'), ('released', 'Released'), ('written_off', 'Written Off'), ('returned', 'Returned')], default='active', max_length=12)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['document', 'id'], name='stock_reservation_document')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('state', 'active')), fields=('document', 'part'), name='stock_one_active_reservation_per_part'), models.CheckConstraint(condition=models.Q(('state__in', ['active', 'consumed', 'released', 'written_off', 'returned'])), name='stock_reservation_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='StockCount',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('number', models.CharField(max_length=40, unique=True)),
                ('section', models.JSONField(help_text='What is counted, as it was asked for')),
                ('state', models.CharField(choices=[('open', 'Being counted'), ('submitted', 'Waits for approval'), ('approved', 'Approved; the balances were adjusted'), ('cancelled', 'Cancelled')], default='open', max_length=10)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('opened_by_label', models.CharField(max_length=200)),
                ('submitted_at', models.DateTimeField(null=True)),
                ('submitted_by_label', models.CharField(blank=True, max_length=200)),
                ('decided_at', models.DateTimeField(null=True)),
                ('decided_by_label', models.CharField(blank=True, max_length=200)),
                ('decision_reason', models.CharField(blank=True, max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='stock_count_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('state__in', ['open', 'submitted', 'approved', 'cancelled'])), name='stock_count_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='CountLine',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('count', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='stock.stockcount')),
                ('lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='stock.lot')),
                ('is_open', models.BooleanField(default=True)),
                ('counted', models.PositiveIntegerField(help_text='Everything found, promised pieces too', null=True)),
                ('expected', models.PositiveIntegerField(help_text='On hand by the ledger when it was counted', null=True)),
                ('reserved', models.PositiveIntegerField(help_text='Promised by the ledger when it was counted', null=True)),
                ('ledger_line', models.PositiveIntegerField(null=True)),
                ('readings', models.PositiveIntegerField(default=0, help_text='How often it was counted')),
                ('counted_at', models.DateTimeField(null=True)),
                ('counted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('counted_by_label', models.CharField(blank=True, max_length=200)),
                ('adjustment', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='count_line', to='stock.movement')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['count', '-id'], name='stock_count_line_newest')],
                'constraints': [models.UniqueConstraint(fields=('count', 'lot'), name='stock_count_line_once'), models.UniqueConstraint(condition=models.Q(('is_open', True)), fields=('lot',), name='stock_lot_on_one_open_count'), models.CheckConstraint(condition=models.Q(models.Q(('counted__isnull', True), ('expected__isnull', True), ('ledger_line__isnull', True)), models.Q(('counted__isnull', False), ('expected__isnull', False), ('ledger_line__isnull', False)), _connector='OR'), name='stock_count_line_whole')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Expected',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('item', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='expected', to='stock.stockitem')),
                ('quantity', models.PositiveIntegerField(default=0)),
                ('lines', models.PositiveIntegerField(default=0, help_text='Number of the last line of its changes')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='stock_expected_newest')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'item'), name='stock_one_expected_per_item'), models.CheckConstraint(condition=models.Q(('quantity__gte', 0)), name='stock_expected_not_negative')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='StockLevel',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('item', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='levels', to='stock.stockitem')),
                ('minimum', models.PositiveIntegerField(help_text='Order when no more than this is available or on order')),
                ('target', models.PositiveIntegerField(help_text='Order up to this')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='stock_level_newest')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'item'), name='stock_one_level_per_item'), models.CheckConstraint(condition=models.Q(('target__gte', models.F('minimum'))), name='stock_level_target_above_minimum')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Transfer',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('sender', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('receiver', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('number', models.CharField(max_length=40, unique=True)),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('sent', 'Sent'), ('part_received', 'Part Received'), ('received', 'Received in full'), ('closed', 'Closed: not all of it arrived'), ('cancelled', 'Called off before it was sent')], default='draft', max_length=14)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('drafted_by_label', models.CharField(max_length=200)),
                ('sent_at', models.DateTimeField(null=True)),
                ('sent_by_label', models.CharField(blank=True, max_length=200)),
                ('ended_at', models.DateTimeField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['sender', '-id'], name='stock_transfer_sender'), models.Index(fields=['receiver', '-id'], name='stock_transfer_receiver')],
                'constraints': [models.CheckConstraint(condition=models.Q(('sender', models.F('receiver')), _negated=True), name='stock_transfer_not_to_itself'), models.CheckConstraint(condition=models.Q(('state__in', ['draft', 'sent', 'part_received', 'received', 'closed', 'cancelled'])), name='stock_transfer_state_known')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='TransferLine',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('transfer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='stock.transfer')),
                ('item', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='stock.stockitem')),
                ('lot', models.ForeignKey(help_text='Known once sent', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='stock.lot')),
                ('quantity', models.PositiveIntegerField(help_text='To be sent; once sent: sent')),
                ('received', models.PositiveIntegerField(default=0)),
                ('lost', models.PositiveIntegerField(default=0)),
                ('returned', models.PositiveIntegerField(default=0, help_text='Came back to the sender')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.CheckConstraint(condition=models.Q(('quantity__gt', 0)), name='stock_transfer_line_of_something'), models.CheckConstraint(condition=models.Q(('quantity__gte', django.db.models.expressions.CombinedExpression(django.db.models.expressions.CombinedExpression(models.F('received'), '+', models.F('lost')), '+', models.F('returned')))), name='stock_transfer_line_not_exceeded'), models.CheckConstraint(condition=models.Q(('lot__isnull', False), models.Q(('lost', 0), ('received', 0), ('returned', 0)), _connector='OR'), name='stock_transfer_line_sent_first'), models.UniqueConstraint(fields=('transfer', 'item', 'lot'), name='stock_transfer_line_once'), models.UniqueConstraint(condition=models.Q(('lot__isnull', True)), fields=('transfer', 'item'), name='stock_transfer_draft_line_once')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='ExpectedChange',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('expected', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='changes', to='stock.expected')),
                ('line', models.PositiveIntegerField(help_text='Counts the changes of the item at the branch from 1')),
                ('change', models.IntegerField()),
                ('after', models.PositiveIntegerField()),
                ('document', models.CharField(help_text='What caused it, for instance purchase-orders/<id>', max_length=120)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('by_label', models.CharField(max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['document'], name='stock_expected_document')],
                'constraints': [models.UniqueConstraint(fields=('expected', 'line'), name='stock_expected_line_once'), models.CheckConstraint(condition=models.Q(('change', 0), _negated=True), name='stock_expected_changes_something')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
