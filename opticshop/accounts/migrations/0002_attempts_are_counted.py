import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='AttemptCount',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('kind', models.CharField(help_text='Which secret: password, code, ...', max_length=20)),
                ('scope', models.CharField(choices=[('pair', 'One account from one address'), ('known', 'One account, from all addresses where it has succeeded before'), ('strangers', 'One account, from all other addresses'), ('address', 'All accounts from one address')], max_length=10)),
                ('account', models.CharField(blank=True, help_text='Keyed digest of the name; empty: every account', max_length=64)),
                ('address', models.CharField(blank=True, help_text='IPv6 by its first 64 bits; empty: every address', max_length=45)),
                ('failures', models.PositiveIntegerField(default=0)),
                ('tried_at', models.DateTimeField()),
                ('succeeded_at', models.DateTimeField(null=True)),
            ],
            options={
                'indexes': [models.Index(fields=['tried_at'], name='accounts_attempts_tried')],
                'constraints': [models.UniqueConstraint(fields=('account', 'kind', 'scope', 'address'), name='accounts_attempts_once'), models.CheckConstraint(condition=models.Q(('scope__in', ['pair', 'known', 'strangers', 'address'])), name='accounts_attempts_scope_known')],
            },
        ),
    ]
