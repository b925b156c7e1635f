from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("integrations", "0002_append_only")]

    operations = [
        migrations.AddField(
            model_name="feedhead",
            name="forgotten",
            field=models.BigIntegerField(
                db_default=0,
                default=0,
                help_text="The last position whose event is kept no more; 0 while all are",
            ),
        ),
    ]
