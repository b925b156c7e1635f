import django.db.models.deletion
import django.db.models.functions.text
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
        ('prescriptions', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='PriceList',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(help_text='Empty for the group', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('name', models.CharField(max_length=80)),
                ('currency', models.CharField(max_length=3)),
                ('valid_from', models.DateField(help_text='First day')),
                ('valid_to', models.DateField(help_text='Last day; empty while it is open', null=True)),
                ('added_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('name', ''), _negated=True), name='prices_list_named'), models.CheckConstraint(condition=models.Q(('valid_to__isnull', True), ('valid_to__gte', models.F('valid_from')), _connector='OR'), name='prices_list_has_days'), models.UniqueConstraint(fields=('branch', 'currency', 'valid_from'), name='prices_list_begins_once'), models.UniqueConstraint(condition=models.Q(('branch__isnull', True)), fields=('currency', 'valid_from'), name='prices_group_begins_once'), models.UniqueConstraint(condition=models.Q(('valid_to__isnull', True)), fields=('branch', 'currency'), name='prices_list_open_once'), models.UniqueConstraint(condition=models.Q(('branch__isnull', True), ('valid_to__isnull', True)), fields=('currency',), name='prices_group_open_once')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='ListPrice',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('price_list', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='rows', to='prices.pricelist')),
                ('frame', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.frame')),
                ('lens', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.lensproduct')),
                ('service', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='catalogue.serviceitem')),
                ('price', models.DecimalField(decimal_places=2, max_digits=10)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('frame__isnull', False), ('lens__isnull', True), ('service__isnull', True)), models.Q(('frame__isnull', True), ('lens__isnull', False), ('service__isnull', True)), models.Q(('frame__isnull', True), ('lens__isnull', True), ('service__isnull', False)), _connector='OR'), name='prices_row_one_article'), models.CheckConstraint(condition=models.Q(('price__gte', 0)), name='prices_row_not_negative'), models.UniqueConstraint(fields=('price_list', 'frame'), name='prices_row_frame_once'), models.UniqueConstraint(fields=('price_list', 'lens'), name='prices_row_lens_once'), models.UniqueConstraint(fields=('price_list', 'service'), name='prices_row_service_once')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='Promotion',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('code', models.CharField(help_text='In capitals, as it is given at the till', max_length=20, unique=True)),
                ('name', models.CharField(max_length=120)),
                ('kind', models.CharField(choices=[('fixed', 'An amount of money'), ('percent', 'A part of the price in percent')], max_length=8)),
                ('amount', models.DecimalField(decimal_places=2, help_text='Money, or percent', max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('valid_from', models.DateField()),
                ('valid_to', models.DateField(help_text='Last day, in the zone of the branch that sells', null=True)),
                ('minimum_spend', models.DecimalField(decimal_places=2, default=0, max_digits=10)),
                ('once_per_customer', models.BooleanField(default=False)),
                ('use_limit', models.PositiveIntegerField(help_text='Uses altogether; empty: no limit', null=True)),
                ('limit_used', models.PositiveIntegerField(default=0, help_text='Uses that stand, where there is a limit')),
                ('complete_pairs_only', models.BooleanField(default=False, help_text='A frame and both lenses in one order')),
                ('combines', models.BooleanField(default=False, help_text='With other promotions that combine, on one document')),
                ('ended_at', models.DateTimeField(null=True)),
                ('end_reason', models.CharField(blank=True, max_length=200)),
            ],
            options={
                'indexes': [models.Index(fields=['branch', '-id'], name='prices_promo_newest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('code', django.db.models.functions.text.Upper('code')), models.Q(('code', ''), _negated=True)), name='prices_promo_code_capitals'), models.CheckConstraint(condition=models.Q(models.Q(('amount__gt', 0), ('kind', 'fixed')), models.Q(('amount__gt', 0), ('amount__lte', 100), ('kind', 'percent')), _connector='OR'), name='prices_promo_amount'), models.CheckConstraint(condition=models.Q(('valid_to__isnull', True), ('valid_to__gte', models.F('valid_from')), _connector='OR'), name='prices_promo_has_days'), models.CheckConstraint(condition=models.Q(('minimum_spend__gte', 0)), name='prices_promo_minimum'), models.CheckConstraint(condition=models.Q(models.Q(('limit_used', 0), ('use_limit__isnull', True)), models.Q(('limit_used__lte', models.F('use_limit')), ('use_limit__gte', 1)), _connector='OR'), name='prices_promo_within_limit'), models.CheckConstraint(condition=models.Q(('ended_at__isnull', True), models.Q(('end_reason', ''), _negated=True), _connector='OR'), name='prices_promo_end_explained')],
            },
        ),
        migrations.CreateModel(
            name='PromotionUse',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('promotion', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='used', to='prices.promotion')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customer')),
                ('document', models.CharField(max_length=80)),
                ('amount', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('state', models.CharField(choices=[('used', 'Used'), ('given_back', 'Given Back')], default='used', max_length=10)),
                ('is_once', models.BooleanField(help_text="Copy of the promotion's term, for the constraint")),
                ('is_alone', models.BooleanField(help_text="It does not combine; copy of the promotion's term, for the constraint")),
                ('used_at', models.DateTimeField()),
                ('given_back_at', models.DateTimeField(null=True)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['document'], name='prices_promo_document'), models.Index(fields=['promotion', '-id'], name='prices_promo_uses')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('is_once', True), ('state', 'used')), fields=('promotion', 'customer'), name='prices_promo_once_a_customer'), models.UniqueConstraint(condition=models.Q(('state', 'used')), fields=('promotion', 'document'), name='prices_promo_once_a_document'), models.UniqueConstraint(condition=models.Q(('is_alone', True), ('state', 'used')), fields=('document',), name='prices_promo_alone'), models.CheckConstraint(condition=models.Q(('amount__gt', 0)), name='prices_promo_use_positive'), models.CheckConstraint(condition=models.Q(models.Q(('given_back_at__isnull', True), ('state', 'used')), models.Q(('given_back_at__isnull', False), ('state', 'given_back')), _connector='OR'), name='prices_promo_use_state')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='SchemeClaim',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('number', models.CharField(max_length=40, unique=True)),
                ('scheme', models.CharField(max_length=40)),
                ('nation', models.CharField(max_length=6)),
                ('submitted_on', models.DateField()),
                ('submitted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('voucher_count', models.PositiveIntegerField()),
                ('adjustment_count', models.PositiveIntegerField(default=0)),
                ('total', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='prices_claim_newest')],
                'constraints': [],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='SchemeValue',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('scheme', models.CharField(max_length=40)),
                ('nation', models.CharField(help_text='ISO 3166-2 part of the country', max_length=6)),
                ('kind', models.CharField(choices=[('band', 'Band'), ('supplement', 'Supplement')], max_length=10)),
                ('code', models.CharField(help_text='The band, or the supplement by name', max_length=20)),
                ('amount', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('valid_from', models.DateField()),
                ('valid_to', models.DateField(help_text='Last day; empty: until a later value', null=True)),
                ('published_on', models.DateField(help_text='Empty: not known to the day', null=True)),
                ('source', models.CharField(max_length=300)),
                ('confidence', models.CharField(max_length=120)),
                ('is_example', models.BooleanField(default=False, help_text='Loaded with the software, not entered by head office')),
                ('entered_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('withdrawn_at', models.DateTimeField(null=True)),
                ('withdrawn_reason', models.CharField(blank=True, max_length=200)),
            ],
            options={
                'constraints': [models.UniqueConstraint(condition=models.Q(('withdrawn_at__isnull', True)), fields=('scheme', 'nation', 'kind', 'code', 'valid_from', 'published_on'), name='prices_scheme_value_once'), models.UniqueConstraint(condition=models.Q(('published_on__isnull', True), ('withdrawn_at__isnull', True)), fields=('scheme', 'nation', 'kind', 'code', 'valid_from'), name='prices_scheme_value_undated'), models.CheckConstraint(condition=models.Q(('amount__gte', 0)), name='prices_scheme_value_amount'), models.CheckConstraint(condition=models.Q(('valid_to__isnull', True), ('valid_to__gte', models.F('valid_from')), _connector='OR'), name='prices_scheme_value_days'), models.CheckConstraint(condition=models.Q(models.Q(('source', ''), _negated=True), models.Q(('confidence', ''), _negated=True)), name='prices_scheme_value_sourced'), models.CheckConstraint(condition=models.Q(('withdrawn_at__isnull', True), models.Q(('withdrawn_reason', ''), _negated=True), _connector='OR'), name='prices_scheme_value_why')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='SchemeVoucher',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='customers.customer')),
                ('prescription', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='prescriptions.prescription')),
                ('scheme', models.CharField(max_length=40)),
                ('nation', models.CharField(max_length=6)),
                ('reference', models.CharField(help_text='Number of the voucher form', max_length=40)),
                ('issued_on', models.DateField()),
                ('use_by', models.DateField(help_text='Last day on which it can be redeemed, where the scheme sets one', null=True)),
                ('band', models.CharField(max_length=2)),
                ('powers', models.JSONField(default=dict, help_text='Per eye, as the band was found from them')),
                ('supplements', models.JSONField(default=list, help_text='Code, quantity and amount of each')),
                ('warnings', models.JSONField(default=list, help_text='What was in doubt when it was granted')),
                ('eligibility', models.CharField(max_length=30)),
                ('evidence', models.CharField(help_text='Kind of evidence that was seen', max_length=30)),
                ('evidence_seen_at', models.DateTimeField()),
                ('evidence_seen_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('face_value', models.DecimalField(decimal_places=2, max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('state', models.CharField(choices=[('issued', 'Issued'), ('redeemed', 'Redeemed'), ('submitted', 'Submitted'), ('paid', 'Paid'), ('rejected', 'Rejected'), ('adjusted', 'Adjusted'), ('cancelled', 'Cancelled')], default='issued', max_length=10)),
                ('document', models.CharField(blank=True, help_text='What it was redeemed for', max_length=80)),
                ('price', models.DecimalField(decimal_places=2, help_text='What was due for the document when it was redeemed', max_digits=10, null=True)),
                ('redeemed_amount', models.DecimalField(decimal_places=2, help_text='What it paid: never more than the price', max_digits=10, null=True)),
                ('redeemed_at', models.DateTimeField(null=True)),
                ('claim', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='vouchers', to='prices.schemeclaim')),
                ('payer_reference', models.CharField(blank=True, help_text="Of the scheme's payment or rejection", max_length=80)),
                ('settled_on', models.DateField(help_text='Day of payment or rejection', null=True)),
                ('reason', models.CharField(blank=True, help_text='Why it was rejected or cancelled', max_length=200)),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='prices_voucher_newest'), models.Index(fields=['branch', 'state', '-id'], name='prices_voucher_state'), models.Index(fields=['customer', 'branch', '-id'], name='prices_voucher_customer'), models.Index(fields=['scheme', 'nation', 'issued_on'], name='prices_voucher_issued'), models.Index(condition=models.Q(('document', ''), _negated=True), fields=['document'], name='prices_voucher_document')],
                'constraints': [models.UniqueConstraint(fields=('scheme', 'reference'), name='prices_voucher_reference_once'), models.CheckConstraint(condition=models.Q(('reference', ''), _negated=True), name='prices_voucher_has_reference'), models.CheckConstraint(condition=models.Q(('face_value__gt', 0)), name='prices_voucher_has_value'), models.CheckConstraint(condition=models.Q(('state__in', ['issued', 'cancelled']), models.Q(models.Q(('document', ''), _negated=True), ('redeemed_at__isnull', False), ('redeemed_amount__gt', 0), ('redeemed_amount__lte', models.F('price')), ('redeemed_amount__lte', models.F('face_value'))), _connector='OR'), name='prices_voucher_never_more'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'issued'), _negated=True), models.Q(('document', ''), ('redeemed_amount__isnull', True)), _connector='OR'), name='prices_voucher_issued_is_whole'), models.CheckConstraint(condition=models.Q(models.Q(('state__in', ['submitted', 'paid', 'rejected', 'adjusted']), _negated=True), ('claim__isnull', False), _connector='OR'), name='prices_voucher_claimed'), models.CheckConstraint(condition=models.Q(models.Q(('state__in', ['rejected', 'cancelled']), _negated=True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='prices_voucher_explained')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
        migrations.CreateModel(
            name='ClaimAdjustment',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('voucher', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='adjustments', to='prices.schemevoucher')),
                ('cause', models.CharField(choices=[('value_changed', 'The scheme changed its values for the day of issue afterwards'), ('paid_otherwise', 'The scheme paid another amount than was claimed'), ('written_off', 'The scheme rejected the claim and it is let go')], max_length=16)),
                ('sequence', models.PositiveSmallIntegerField(help_text='Of the adjustments of this voucher, from 1')),
                ('amount', models.DecimalField(decimal_places=2, help_text='Negative: less is to be had', max_digits=10)),
                ('currency', models.CharField(max_length=3)),
                ('reason', models.CharField(max_length=200)),
                ('state', models.CharField(choices=[('open', 'To be claimed'), ('submitted', 'Submitted'), ('settled', 'Settled')], default='open', max_length=10)),
                ('claim', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='adjustments', to='prices.schemeclaim')),
            ],
            options={
                'abstract': False,
                'base_manager_name': 'unscoped',
                'default_manager_name': 'unscoped',
                'indexes': [models.Index(fields=['branch', '-id'], name='prices_adjustment_newest'), models.Index(condition=models.Q(('state', 'open')), fields=['branch', 'id'], name='prices_adjustment_open')],
                'constraints': [models.UniqueConstraint(fields=('voucher', 'sequence'), name='prices_adjustment_sequence'), models.CheckConstraint(condition=models.Q(('amount', 0), _negated=True), name='prices_adjustment_not_zero')],
            },
            managers=[
                ('unscoped', django.db.models.manager.Manager()),
            ],
        ),
    ])]
