"""An event says of which request it came; added with a default of the database, so the version before goes on."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('core', '0002_partition_events'),
    ]

    operations = [
        migrations.AddField(
            model_name='outboxevent',
            name='request_id',
            field=models.CharField(db_default='', help_text='Of the request that it came of, however many events lie between.', max_length=64),
        ),
        migrations.AddField(
            model_name='outboxevent',
            name='traceparent',
            field=models.CharField(db_default='', help_text='W3C Trace Context, where spans are kept.', max_length=55),
        ),
    ]
