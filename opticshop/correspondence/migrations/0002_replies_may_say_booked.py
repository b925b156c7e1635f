from django.db import migrations, models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps

from opticshop.core.live_schema import AddLiveCheck


def leave_to_a_person(apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Back in a release that does not know the word, a person reads these."""
    apps.get_model("correspondence", "Reply")._base_manager.filter(meaning="booked").update(meaning="unclear")


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("correspondence", "0001_initial")]

    operations = [
        migrations.AlterField(
            model_name="reply",
            name="meaning",
            field=models.CharField(
                choices=[
                    ("stop", "Stop"),
                    ("came_back", "Was here"),
                    ("booked", "Says that a visit is booked"),
                    ("wrong_person", "Wrong Person"),
                    ("unclear", "A person has to read it"),
                ],
                max_length=12,
            ),
        ),
        AddLiveCheck(
            model_name="reply",
            constraint=models.CheckConstraint(
                condition=models.Q(("meaning__in", ["stop", "came_back", "booked", "wrong_person", "unclear"])),
                name="correspondence_meaning_listed",
            ),
        ),
        migrations.RemoveConstraint(model_name="reply", name="correspondence_meaning_known"),
        migrations.RunPython(migrations.RunPython.noop, leave_to_a_person),
    ]
