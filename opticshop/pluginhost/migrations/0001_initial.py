import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    # The tables of others first: Django makes every related model anew with each of their alterations.
    dependencies = [
        ('admin', '0003_logentry_add_action_flag_choices'),
        ('oauth2_provider', '0022_refreshtoken_token_family_index'),
        ('branches', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='PluginActivation',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('plugin', models.CharField(max_length=80)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='+', to='branches.branch')),
                ('is_active', models.BooleanField(null=True)),
                ('settings', models.JSONField(default=dict)),
            ],
            options={
                'indexes': [models.Index(fields=['branch', 'plugin'], name='pluginhost_activation_branch')],
                'constraints': [models.UniqueConstraint(fields=('plugin', 'branch'), name='pluginhost_activation_once_per_branch'), models.UniqueConstraint(condition=models.Q(('branch', None)), fields=('plugin',), name='pluginhost_activation_once_for_group')],
            },
        ),
    ])]
