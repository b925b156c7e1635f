import django.contrib.auth.models
import django.contrib.auth.validators
import django.db.models.deletion
import django.utils.timezone
import opticshop.core.clock
import opticshop.core.ids
from django.conf import settings
from django.db import migrations, models

from opticshop.core.tables import Tables


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
        ('branches', '0001_initial'),
    ]

    operations = [Tables([
        migrations.CreateModel(
            name='User',
            fields=[
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('username', models.CharField(error_messages={'unique': 'A user with that username already exists.'}, help_text='Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.', max_length=150, unique=True, validators=[django.contrib.auth.validators.UnicodeUsernameValidator()], verbose_name='username')),
                ('first_name', models.CharField(blank=True, max_length=150, verbose_name='first name')),
                ('last_name', models.CharField(blank=True, max_length=150, verbose_name='last name')),
                ('email', models.EmailField(blank=True, max_length=254, verbose_name='email address')),
                ('is_staff', models.BooleanField(default=False, help_text='Designates whether the user can log into this admin site.', verbose_name='staff status')),
                ('is_active', models.BooleanField(default=True, help_text='Designates whether this user should be treated as active. Unselect this instead of deleting accounts.', verbose_name='active')),
                ('date_joined', models.DateTimeField(default=django.utils.timezone.now, verbose_name='date joined')),
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('kind', models.CharField(choices=[('person', 'Person'), ('service', 'Service')], default='person', max_length=10)),
                ('display_name', models.CharField(blank=True, max_length=120)),
                ('registration_number', models.CharField(blank=True, help_text='Number in the professional register, kept as text; empty if not registered', max_length=40)),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'verbose_name': 'user',
                'verbose_name_plural': 'users',
                'abstract': False,
                'swappable': 'AUTH_USER_MODEL',
                'indexes': [],
                'constraints': [],
            },
            managers=[
                ('objects', django.contrib.auth.models.UserManager()),
            ],
        ),
        migrations.CreateModel(
            name='Membership',
            fields=[
                ('id', models.UUIDField(default=opticshop.core.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ('created_at', models.DateTimeField(default=opticshop.core.clock.now, editable=False)),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='memberships', to=settings.AUTH_USER_MODEL)),
                ('branch', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='+', to='branches.branch')),
                ('role', models.CharField(choices=[('counter', 'Counter'), ('workshop', 'Workshop'), ('manager', 'Manager'), ('head_office', 'Head office'), ('bookkeeper', 'Bookkeeper')], max_length=20)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('user', 'branch', 'role'), name='accounts_role_once_per_branch'), models.UniqueConstraint(condition=models.Q(('branch', None)), fields=('user', 'role'), name='accounts_role_once_everywhere'), models.CheckConstraint(condition=models.Q(('branch__isnull', False), ('role__in', ['head_office', 'bookkeeper']), _connector='OR'), name='accounts_only_spanning_roles_everywhere'), models.CheckConstraint(condition=models.Q(('role__in', ['counter', 'workshop', 'manager', 'head_office', 'bookkeeper'])), name='accounts_role_known')],
                'indexes': [],
            },
        ),
    ])]
