import django.db.models.functions.text
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('branches', '0001_initial'),
        ('customers', '0004_status_history'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='customer',
            index=models.Index(condition=models.Q(('merged_into__isnull', False)), fields=['merged_into'], name='customers_merged'),
        ),
        migrations.AddIndex(
            model_name='customer',
            index=models.Index(django.db.models.functions.text.Lower('email'), condition=models.Q(('email', ''), _negated=True), name='customers_email'),
        ),
        migrations.AddIndex(
            model_name='customer',
            index=models.Index(condition=models.Q(('phone_e164', ''), _negated=True), fields=['phone_e164'], name='customers_phone'),
        ),
        migrations.AddIndex(
            model_name='customer',
            index=models.Index(fields=['birth_date', 'search_family'], name='customers_birth_name'),
        ),
        migrations.AddIndex(
            model_name='customer',
            index=models.Index(fields=['search_family', 'search_given'], name='customers_name'),
        ),
    ]
