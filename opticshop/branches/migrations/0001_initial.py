import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    dependencies = [
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='Branch',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('code', models.CharField(max_length=8, unique=True)),
                ('name', models.CharField(max_length=120)),
                ('address', models.TextField(blank=True)),
                ('country', models.CharField(default='GB', help_text='ISO 3166-1 alpha-2', max_length=2)),
                ('jurisdiction', models.CharField(default='GB', help_text='Key of the rule tables that apply', max_length=20)),
                ('time_zone', models.CharField(default='Europe/London', max_length=60)),
                ('currency', models.CharField(default='GBP', help_text='ISO 4217', max_length=3)),
                ('language', models.CharField(default='en', max_length=10)),
                ('phone', models.CharField(blank=True, max_length=40)),
                ('tax_number', models.CharField(blank=True, max_length=40)),
                ('tolerance_standard', models.CharField(default='iso-21987-2017', max_length=80)),
                ('uncut_standard', models.CharField(default='iso-8980-2017', max_length=80)),
                ('message_channel', models.CharField(default='console', max_length=80)),
                ('recall_policy', models.CharField(default='prescription-expiry', max_length=80)),
                ('tax_rule', models.CharField(blank=True, db_default='', default='', help_text='Empty: category and rate as in the catalogue', max_length=80)),
                ('prices_include_tax', models.BooleanField(db_default=True, default=True, help_text='False: prices are net, and tax is added as they are charged')),
                ('turnaround_days', models.PositiveSmallIntegerField(default=3, help_text='Working days promised for stock lenses')),
                ('special_order_days', models.PositiveSmallIntegerField(db_default=7, default=7, help_text='Further working days for lenses that are made to order')),
                ('daily_capacity', models.PositiveSmallIntegerField(help_text='Pairs the workshop finishes in a day; empty where it is not counted', null=True)),
                ('subdivision', models.CharField(blank=True, db_default='', default='', help_text='ISO 3166-2 part whose public holidays are kept', max_length=6)),
                ('keeps_public_holidays', models.BooleanField(db_default=True, default=True)),
                ('second_check', models.BooleanField(db_default=False, default=False, help_text='A passed pair is confirmed by a second person before it goes on')),
                ('is_active', models.BooleanField(default=True)),
            ],
            options={
                'verbose_name_plural': 'branches',
                'ordering': ['code'],
                'indexes': [],
                'constraints': [],
            },
        ),
        migrations.CreateModel(
            name='Closure',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='closures', to='branches.branch')),
                ('first_on', models.DateField()),
                ('last_on', models.DateField()),
                ('reason', models.CharField(max_length=120)),
            ],
            options={
                'ordering': ['first_on', 'id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('first_on__lte', models.F('last_on'))), name='branches_closure_has_days'), models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='branches_closure_explained')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='NumberSeries',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('kind', models.CharField(max_length=20)),
                ('year', models.PositiveSmallIntegerField()),
                ('last', models.PositiveIntegerField(default=0)),
            ],
            options={
                'verbose_name_plural': 'number series',
                'constraints': [models.UniqueConstraint(fields=('branch', 'kind', 'year'), name='branches_one_series_per_kind_and_year')],
                'indexes': [],
            },
        ),
        migrations.CreateModel(
            name='OpeningHours',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='opening_hours', to='branches.branch')),
                ('weekday', models.PositiveSmallIntegerField(help_text='0 is Monday, 6 is Sunday')),
                ('opens_at', models.TimeField()),
                ('closes_at', models.TimeField()),
            ],
            options={
                'verbose_name_plural': 'opening hours',
                'ordering': ['weekday'],
                'constraints': [models.UniqueConstraint(fields=('branch', 'weekday'), name='branches_hours_once_a_weekday'), models.CheckConstraint(condition=models.Q(('weekday__lte', 6), ('opens_at__lt', models.F('closes_at'))), name='branches_hours_make_a_day')],
                'indexes': [],
            },
        ),
    ])]
