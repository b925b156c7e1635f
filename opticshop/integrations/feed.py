"""The order of the feed.

An outbox id is made before its transaction commits, so it is no cursor: a poller past it would never see an event that
commits late. A position is given out afterwards, under the lock of the one ``FeedHead``, held until it is committed:
whoever has seen a position has seen, or can see, every one before it.

Whoever holds the lock places everything that is committed and waiting, oldest first. So of two events, the first of
which was committed before the second was made, the first always stands first.
"""

from __future__ import annotations

from opticshop.core.locks import lock_rows
from opticshop.core.models import EventDelivery, OutboxEvent

from .event_types import area_of
from .models import FeedEntry, FeedHead, WebhookDelivery, WebhookEndpoint

#: The name under which the outbox keeps what is waiting to be placed.
HANDLER = "integrations.place_in_feed"
BATCH = 1000


def place(event: OutboxEvent) -> None:
    """Give the event, and whatever else is waiting, its place; queue it for the endpoints that want it."""
    if _is_placed(event):
        return
    head = lock_head()
    if _is_placed(event):
        return
    entries = [
        FeedEntry(position=position, event=each, type=each.type, area=area_of(each.type), branch_id=each.branch_id)
        for position, each in enumerate(_waiting(event), start=head.last + 1)
    ]
    FeedEntry.objects.bulk_create(entries, batch_size=BATCH)
    FeedHead.objects.filter(id=head.id).update(last=entries[-1].position)
    _queue(entries)


def lock_head() -> FeedHead:
    """The head, held until the transaction ends. It is locked before any endpoint, never after."""
    held = lock_rows(FeedHead.objects.all())
    if not held:
        FeedHead.objects.bulk_create([FeedHead()], ignore_conflicts=True)
        held = lock_rows(FeedHead.objects.all())
    return held[0]


def wanted_by(endpoint: WebhookEndpoint, entry: FeedEntry) -> bool:
    return entry.type in endpoint.event_types and endpoint.branch_id in (None, entry.branch_id)


def _is_placed(event: OutboxEvent) -> bool:
    return FeedEntry.objects.everywhere("the feed orders the events of every branch").filter(event=event).exists()


def _waiting(event: OutboxEvent) -> list[OutboxEvent]:
    """Every committed event without a place, also one whose delivery to us was given up.

    Found by the two partial indexes of deliveries: a query that joins these conditions by OR reads all events.
    """
    keys = {event.id}
    for state in (EventDelivery.State.PENDING, EventDelivery.State.DEAD):
        undone = EventDelivery.objects.filter(handler=HANDLER, state=state)
        keys.update(undone.values_list("event_id", flat=True))
    found: list[OutboxEvent] = []
    ordered = sorted(keys)
    for start in range(0, len(ordered), BATCH):
        some = ordered[start : start + BATCH]
        found += OutboxEvent.objects.filter(id__in=some, feed_entry=None).order_by("id")
    return found


def _queue(entries: list[FeedEntry]) -> None:
    listening = [WebhookEndpoint.State.ACTIVE, WebhookEndpoint.State.PAUSED]
    endpoints = list(WebhookEndpoint.objects.everywhere("events of every branch").filter(state__in=listening))
    WebhookDelivery.objects.bulk_create(
        [
            WebhookDelivery(endpoint=endpoint, entry=entry)
            for entry in entries
            for endpoint in endpoints
            if wanted_by(endpoint, entry)
        ],
        batch_size=BATCH,
        ignore_conflicts=True,
    )
