from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('customers', '0002_append_only'),
    ]

    operations = [
        migrations.AddField(
            model_name='customer',
            name='restricted_at',
            field=models.DateTimeField(help_text='Since then kept, and not used (GDPR, article 18)', null=True),
        ),
        migrations.AddField(
            model_name='customer',
            name='erased_at',
            field=models.DateTimeField(help_text='Since then only a key: what identified the person is gone', null=True),
        ),
    ]
