import django.db.models.deletion
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0005_people_have_second_factors'),
        ('branches', '0001_initial'),
        migrations.swappable_dependency(settings.OAUTH2_PROVIDER_ACCESS_TOKEN_MODEL),
        migrations.swappable_dependency(settings.OAUTH2_PROVIDER_APPLICATION_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='SignIn',
            fields=[
                ('expire_date', models.DateTimeField(db_index=True, verbose_name='expire date')),
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('way', models.CharField(choices=[('browser', 'Browser'), ('app', 'App'), ('till', 'Till')], default='browser', max_length=10)),
                ('session_key', models.CharField(help_text='Digest of the key in the cookie', max_length=64, null=True, unique=True)),
                ('session_data', models.TextField(blank=True)),
                ('token_family', models.UUIDField(null=True, unique=True)),
                ('address', models.GenericIPAddressField(null=True)),
                ('device', models.CharField(blank=True, help_text='As the device calls itself', max_length=200)),
                ('seen_at', models.DateTimeField(default=opticshop.core.clock.now)),
                ('confirmed_until', models.DateTimeField(help_text='Sensitive acts are open to an operator until then', null=True)),
                ('confirmed_by_code', models.BooleanField(default=False, help_text='Confirmed with the second factor too')),
                ('access_token', models.OneToOneField(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='sign_in', to=settings.OAUTH2_PROVIDER_ACCESS_TOKEN_MODEL)),
                ('application', models.ForeignKey(help_text='App or till', null=True, on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.OAUTH2_PROVIDER_APPLICATION_MODEL)),
                ('branch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='+', to='branches.branch')),
                ('user', models.ForeignKey(db_index=False, help_text='None before somebody has signed in', null=True, on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'indexes': [models.Index(fields=['user', '-id'], name='accounts_sign_in_of_user')],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('session_key__isnull', False), ('way', 'browser')), models.Q(('application__isnull', False), ('token_family__isnull', False), ('user__isnull', False), ('way', 'app')), models.Q(('access_token__isnull', False), ('application__isnull', False), ('branch__isnull', False), ('user__isnull', False), ('way', 'till')), _connector='OR'), name='accounts_sign_in_is_of_its_way')],
            },
        ),
    ]
