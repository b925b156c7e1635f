from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("reminders", "0001_initial")]

    operations = [
        migrations.AddField(
            model_name="campaign",
            name="booking_days",
            field=models.PositiveSmallIntegerField(
                db_default=42,
                default=42,
                help_text="So long notices wait for a visit that somebody answered is booked",
            ),
        ),
    ]
