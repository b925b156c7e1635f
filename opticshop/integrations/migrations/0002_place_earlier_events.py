"""What happened before there was a feed gets its place in it, oldest first."""

from django.db import migrations

BATCH = 1000


def place_earlier(apps, schema_editor):
    Event, Entry, Head = (
        apps.get_model(app, name)
        for app, name in (("core", "OutboxEvent"), ("integrations", "FeedEntry"), ("integrations", "FeedHead"))
    )
    head, batch = Head(id=1, last=0), []
    for event in Event.objects.order_by("id").only("id", "type", "branch_id").iterator(chunk_size=BATCH):
        head.last += 1
        batch.append(
            Entry(
                position=head.last,
                event_id=event.id,
                type=event.type,
                area=event.type.split(".", 1)[0],
                branch_id=event.branch_id,
            )
        )
        if len(batch) == BATCH:
            Entry.unscoped.bulk_create(batch)
            batch = []
    Entry.unscoped.bulk_create(batch)
    head.save(force_insert=True)


class Migration(migrations.Migration):
    dependencies = [("integrations", "0001_webhooks_and_feed"), ("core", "0001_initial")]

    operations = [migrations.RunPython(place_earlier, migrations.RunPython.noop)]
