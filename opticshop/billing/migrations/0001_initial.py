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
        ('orders', '0001_initial'),
        ('prices', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='TillDay',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('till', models.CharField(default='main', max_length=20)),
                ('day', models.DateField()),
                ('state', models.CharField(choices=[('open', 'Open'), ('closed', 'Closed'), ('lapsed', 'Lapsed')], default='open', max_length=10)),
                ('currency', models.CharField(max_length=3)),
                ('carried', models.DecimalField(decimal_places=2, help_text='What the day before left; nothing on the first day', max_digits=10)),
                ('opening_float', models.DecimalField(decimal_places=2, help_text='What lay in the till when the day began', max_digits=10)),
                ('is_float_counted', models.BooleanField(help_text='No: taken over from the day before without a count')),
                ('opened_at', models.DateTimeField()),
                ('opened_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('expected', models.DecimalField(decimal_places=2, help_text='Cash that should be there, as the day ended', max_digits=10, null=True)),
                ('counted', models.DecimalField(decimal_places=2, help_text='Cash that was there; empty where nobody counted', max_digits=10, null=True)),
                ('left_over', models.DecimalField(decimal_places=2, help_text='What stays in the till for the next day', max_digits=10, null=True)),
                ('closed_at', models.DateTimeField(null=True)),
                ('closed_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_till_newest')],
                'constraints': [models.UniqueConstraint(fields=('branch', 'till', 'day'), name='billing_till_one_row_a_day'), models.UniqueConstraint(condition=models.Q(('state', 'open')), fields=('branch', 'till'), name='billing_till_open_once'), models.CheckConstraint(condition=models.Q(models.Q(('counted__isnull', True), ('expected__isnull', True), ('left_over__isnull', True), ('state', 'open')), models.Q(('counted__isnull', False), ('expected__isnull', False), ('left_over__isnull', False), ('state', 'closed')), models.Q(('counted__isnull', True), ('expected__isnull', False), ('left_over__isnull', False), ('state', 'lapsed')), _connector='OR'), name='billing_till_figures_by_state'), models.CheckConstraint(condition=models.Q(('counted__isnull', True), models.Q(('left_over__gte', 0), ('left_over__lte', models.F('counted'))), _connector='OR'), name='billing_till_leaves_what_is_there')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Payment',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='payments', to='orders.order')),
                ('kind', models.CharField(choices=[('deposit', 'Deposit'), ('balance', 'Balance'), ('refund', 'Refund')], max_length=10)),
                ('method', models.CharField(choices=[('cash', 'Cash'), ('card', 'Card'), ('transfer', 'Transfer'), ('voucher', 'Voucher')], max_length=10)),
                ('amount', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('reference', models.CharField(blank=True, help_text='Terminal or transfer reference; never card data', max_length=80)),
                ('refunds', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='refunded_by', to='billing.payment')),
                ('reason', models.CharField(blank=True, max_length=200)),
                ('till_day', models.ForeignKey(help_text='Empty on rows older than tills', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='payments', to='billing.tillday')),
                ('voucher', models.ForeignKey(help_text='Redeemed by it', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='prices.schemevoucher')),
                ('lowers_price', models.BooleanField(db_default=False, default=False, help_text='Given back after the pair was supplied: nothing is owed in its place')),
                ('taken_at', models.DateTimeField()),
                ('taken_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_payment_newest'), models.Index(fields=['order', 'id'], name='billing_payment_order')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('kind', 'refund'), ('amount__lt', 0), ('refunds__isnull', False), models.Q(('reason', ''), _negated=True)), models.Q(('kind__in', ['deposit', 'balance']), ('amount__gt', 0), ('refunds__isnull', True)), _connector='OR'), name='billing_payment_sign'), models.CheckConstraint(condition=models.Q(('lowers_price', False), ('kind', 'refund'), _connector='OR'), name='billing_only_refund_lowers'), models.CheckConstraint(condition=models.Q(('voucher__isnull', True), ('method', 'voucher'), _connector='OR'), name='billing_voucher_by_its_method')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='TillEntry',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('till_day', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='entries', to='billing.tillday')),
                ('kind', models.CharField(choices=[('opened', 'Opened'), ('counted', 'Counted'), ('paid_in', 'Paid In'), ('paid_out', 'Paid Out'), ('closed', 'Closed'), ('reopened', 'Reopened')], max_length=10)),
                ('purpose', models.CharField(blank=True, choices=[('bank', 'Bank'), ('petty_cash', 'Petty Cash')], max_length=12)),
                ('amount', models.DecimalField(decimal_places=2, help_text='Counted, moved, or over and short; never a running balance', max_digits=10)),
                ('expected', models.DecimalField(decimal_places=2, help_text='Cash that should have been there at that moment', max_digits=10)),
                ('pieces', models.JSONField(default=dict, help_text='Notes and coins: face value -> how many')),
                ('reason', models.CharField(blank=True, max_length=200)),
                ('made_at', models.DateTimeField()),
                ('made_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['id'],
                'indexes': [models.Index(fields=['till_day', 'id'], name='billing_till_entries')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('kind__in', ['paid_in', 'paid_out']), _negated=True), models.Q(('amount__gt', 0), models.Q(('purpose', ''), _negated=True), models.Q(('reason', ''), _negated=True)), _connector='OR'), name='billing_till_movement_explained'), models.CheckConstraint(condition=models.Q(models.Q(('kind', 'reopened'), _negated=True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='billing_till_reopen_explained')],
            },
        ),
        migrations.CreateModel(
            name='HeldDeposit',
            fields=[
                ('order', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, primary_key=True, related_name='held_deposit', serialize=False, to='orders.order')),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('amount', models.DecimalField(decimal_places=2, max_digits=10)),
                ('tax', models.DecimalField(decimal_places=2, help_text='The tax within it, already accounted for', max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('since', models.DateTimeField(help_text='When the first of it was taken')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', 'since', 'order'], name='billing_held_oldest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('amount__gt', 0), ('tax__gte', 0), ('tax__lte', models.F('amount'))), name='billing_held_money')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Invoice',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='invoices', to='orders.order')),
                ('kind', models.CharField(choices=[('invoice', 'Invoice'), ('credit_note', 'Credit Note')], max_length=12)),
                ('number', models.CharField(max_length=40, unique=True)),
                ('credits', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='credited_by', to='billing.invoice')),
                ('ordinal', models.PositiveSmallIntegerField(help_text='Counts the invoices and credit notes of one order')),
                ('issued_on', models.DateField()),
                ('total', models.DecimalField(decimal_places=2, help_text='With tax; positive also on a credit note', max_digits=10)),
                ('tax_total', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('reason', models.CharField(blank=True, max_length=200)),
                ('issued_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('content', models.JSONField(help_text='Seller, buyer, lines, tax by rate, totals, what was paid before')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_invoice_newest')],
                'constraints': [models.UniqueConstraint(fields=('order', 'ordinal'), name='billing_invoice_ordinal'), models.CheckConstraint(condition=models.Q(models.Q(('credits__isnull', True), ('kind', 'invoice')), models.Q(('credits__isnull', False), ('kind', 'credit_note'), ('total__gt', 0), models.Q(('reason', ''), _negated=True)), _connector='OR'), name='billing_credit_note_refers'), models.CheckConstraint(condition=models.Q(('tax_total__gte', 0), ('tax_total__lte', models.F('total')), ('total__gte', 0)), name='billing_invoice_totals')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Receipt',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('number', models.CharField(max_length=40, unique=True)),
                ('payment', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='receipt', to='billing.payment')),
                ('issued_on', models.DateField()),
                ('content', models.JSONField(help_text='Seller, lines, tax by rate, total, paid before, this payment, balance')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_receipt_newest')],
                'constraints': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Settlement',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='settlements', to='orders.order')),
                ('kind', models.CharField(choices=[('forfeit', 'Forfeit'), ('write_off', 'Write Off')], max_length=10)),
                ('amount', models.DecimalField(decimal_places=2, help_text='Negative where it undoes another', max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('tax_parts', models.JSONField(default=list, help_text='How the amount divides between the rates of tax')),
                ('tax_treatment', models.JSONField(default=dict, help_text='The rule applied to the tax, with source and confidence')),
                ('borne_as', models.CharField(blank=True, choices=[('bad_debt', 'Bad Debt'), ('goodwill', 'Goodwill')], max_length=10)),
                ('reason', models.CharField(max_length=200)),
                ('reverses', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reversed_by', to='billing.settlement')),
                ('settled_on', models.DateField()),
                ('settled_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_settlement_newest'), models.Index(fields=['order', 'id'], name='billing_settlement_order')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('amount__gt', 0), ('reverses__isnull', True)), models.Q(('amount__lt', 0), ('reverses__isnull', False)), _connector='OR'), name='billing_settlement_sign'), models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='billing_settlement_explained'), models.CheckConstraint(condition=models.Q(models.Q(('borne_as', ''), ('kind', 'forfeit')), models.Q(('kind', 'write_off'), models.Q(('borne_as', ''), _negated=True)), _connector='OR'), name='billing_settlement_borne')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='Supply',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('order', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='supply', to='orders.order')),
                ('supplied_on', models.DateField()),
                ('covered', models.DecimalField(decimal_places=2, help_text='What of the price was paid or written off by then', max_digits=10)),
                ('currency', models.CharField(max_length=3)),
            ],
            options={
                'verbose_name_plural': 'supplies',
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'constraints': [models.CheckConstraint(condition=models.Q(('covered__gte', 0)), name='billing_supply_covered')],
                'indexes': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
