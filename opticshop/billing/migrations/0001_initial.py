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
        ('orders', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Payment',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('kind', models.CharField(choices=[('deposit', 'Deposit'), ('balance', 'Balance'), ('refund', 'Refund')], max_length=10)),
                ('method', models.CharField(choices=[('cash', 'Cash'), ('card', 'Card'), ('transfer', 'Transfer'), ('voucher', 'Voucher')], max_length=10)),
                ('amount', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('reference', models.CharField(blank=True, help_text='Terminal or transfer reference; never card data', max_length=80)),
                ('reason', models.CharField(blank=True, max_length=200)),
                ('taken_at', models.DateTimeField()),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('order', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='payments', to='orders.order')),
                ('refunds', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='refunded_by', to='billing.payment')),
                ('taken_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_payment_newest'), models.Index(fields=['order', 'id'], name='billing_payment_order')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('kind', 'refund'), ('amount__lt', 0), ('refunds__isnull', False), models.Q(('reason', ''), _negated=True)), models.Q(('kind__in', ['deposit', 'balance']), ('amount__gt', 0), ('refunds__isnull', True)), _connector='OR'), name='billing_payment_sign')],
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
                ('number', models.CharField(max_length=40, unique=True)),
                ('issued_on', models.DateField()),
                ('content', models.JSONField(help_text='Seller, lines, tax by rate, total, paid before, this payment, balance')),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('payment', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='receipt', to='billing.payment')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='billing_receipt_newest')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ]
