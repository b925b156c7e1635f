import django.db.models.deletion
import django.db.models.manager
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('branches', '0001_initial'),
        ('customers', '0005_finding_duplicates'),
        ('prescriptions', '0001_initial'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='RecallFact',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('flag', models.SlugField(db_index=False, max_length=60)),
                ('since_on', models.DateField()),
                ('until_on', models.DateField(help_text='Last day on which it held; null while it holds', null=True)),
                ('source', models.CharField(help_text='Who said so: the person, a letter, the prescriber', max_length=200)),
                ('note', models.CharField(blank=True, max_length=500)),
                ('struck_at', models.DateTimeField(null=True)),
                ('struck_reason', models.CharField(blank=True, max_length=300)),
                ('branch', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='branches.branch')),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='recall_facts', to='customers.customer')),
                ('ended_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('recorded_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('struck_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
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
    ]
