import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0006_sign_ins'),
        migrations.swappable_dependency(settings.OAUTH2_PROVIDER_APPLICATION_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='ServiceAccount',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('name', models.CharField(max_length=100, unique=True)),
                ('role', models.CharField(choices=[('counter', 'Counter'), ('workshop', 'Workshop'), ('manager', 'Manager'), ('head_office', 'Head office'), ('bookkeeper', 'Bookkeeper')], max_length=20)),
                ('scopes', models.JSONField(help_text='null: made before scopes were kept; any', null=True)),
                ('expires_on', models.DateField(help_text='The last day on which it holds, UTC')),
                ('used_at', models.DateTimeField(help_text='When it was last given a token', null=True)),
                ('rotated_at', models.DateTimeField(default=opticshop.core.clock.now, help_text='When its secret was made')),
                ('previous_secret', models.CharField(blank=True, max_length=255)),
                ('overlap_ends_at', models.DateTimeField(help_text='Until then the previous secret holds too', null=True)),
                ('revoked_at', models.DateTimeField(null=True)),
                ('application', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='service_account', to=settings.OAUTH2_PROVIDER_APPLICATION_MODEL)),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('previous_secret', ''), ('overlap_ends_at__isnull', False), _connector='OR'), name='accounts_previous_secret_ends'), models.CheckConstraint(condition=models.Q(('role__in', ['counter', 'workshop', 'manager', 'head_office', 'bookkeeper'])), name='accounts_service_account_role_known')],
            },
        ),
    ]
