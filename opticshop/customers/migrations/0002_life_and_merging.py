import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("customers", "0001_initial"),
    ]

    operations = [
        migrations.AddField(
            model_name="customer",
            name="deceased_on",
            field=models.DateField(help_text="Known to have died on or before this day", null=True),
        ),
        migrations.AddField(
            model_name="customer",
            name="moved_away_on",
            field=models.DateField(help_text="Known to live elsewhere since this day", null=True),
        ),
        migrations.AddField(
            model_name="customer",
            name="contact_confirmed_on",
            field=models.DateField(
                help_text="Day on which a young person said who is to be told: the person or the guardian", null=True
            ),
        ),
        migrations.AddField(
            model_name="customer",
            name="merged_into",
            field=models.ForeignKey(
                blank=True,
                db_index=False,
                help_text="The record that speaks for the same person; never itself merged",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="merged",
                to="customers.customer",
            ),
        ),
        migrations.AddConstraint(
            model_name="customer",
            constraint=models.CheckConstraint(
                condition=models.Q(("merged_into", models.F("id")), _negated=True),
                name="customers_not_merged_into_self",
            ),
        ),
    ]
