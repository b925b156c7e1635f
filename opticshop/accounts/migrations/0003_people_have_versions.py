from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0002_attempts_are_counted'),
    ]

    operations = [
        migrations.AddField(
            model_name='user',
            name='version',
            field=models.PositiveIntegerField(db_default=1, default=1, editable=False),
        ),
    ]
