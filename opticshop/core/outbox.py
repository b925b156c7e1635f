"""The transactional outbox: a service records what happened; subscribers hear of it at least once, after commit.

A subscriber runs inside one transaction together with the row that says it ran, so what it writes to the database
happens exactly once; anything it does outside the database must be idempotent by ``event.id``.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid
from collections.abc import Callable, Mapping
from typing import Any

from django.conf import settings
from django.db import connection, transaction

from . import clock
from .actor import Actor
from .models import EventDelivery, OutboxEvent

log = logging.getLogger("opticshop.outbox")

Handler = Callable[[OutboxEvent], None]
_subscribers: dict[str, dict[str, Handler]] = {}
EVERY_TYPE = "*"
MAX_ATTEMPTS = 12


def subscribe(event_type: str, name: str) -> Callable[[Handler], Handler]:
    """Register a handler under a stable name for one event type, or for all with ``EVERY_TYPE``."""

    def register(handler: Handler) -> Handler:
        taken = _subscribers.setdefault(event_type, {})
        if name in taken and taken[name] is not handler:
            raise ValueError(f"two handlers are called {name}")
        taken[name] = handler
        return handler

    return register


def unsubscribe(event_type: str, name: str) -> None:
    """Forget a handler; deliveries already written for it wait until it is there again."""
    _subscribers.get(event_type, {}).pop(name, None)


def handlers_for(event_type: str) -> dict[str, Handler]:
    return {**_subscribers.get(event_type, {}), **_subscribers.get(EVERY_TYPE, {})}


def record(
    *, event_type: str, subject: str, actor: Actor, branch_id: uuid.UUID | None, data: Mapping[str, Any]
) -> OutboxEvent:
    """Write the event and one delivery per subscriber in the caller's transaction; wake the worker after commit."""
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("an event is recorded inside the transaction that made it")
    event = OutboxEvent.objects.create(
        type=event_type,
        subject=subject,
        branch_id=branch_id,
        actor_id=actor.id,
        actor_label=actor.label,
        data=dict(data),
    )
    EventDelivery.objects.bulk_create([EventDelivery(event=event, handler=name) for name in handlers_for(event_type)])
    transaction.on_commit(_wake)
    return event


def _wake() -> None:
    if settings.OPTICSHOP_JOBS == "celery":
        from .tasks import wake

        wake("core.deliver_events")


def deliver_due(limit: int = 200) -> int:
    """Hand out deliveries that are due, oldest first; returns how many were handled. Safe to run in parallel."""
    due = EventDelivery.objects.filter(state=EventDelivery.State.PENDING, due_at__lte=clock.now())
    ids = list(due.order_by("due_at", "id").values_list("id", flat=True)[:limit])
    return sum(deliver_one(delivery_id) for delivery_id in ids)


def deliver_all(rounds: int = 50) -> int:
    """Deliver until nothing is due (what handlers record is delivered too). For tests, demo and shut-down."""
    total = 0
    for _ in range(rounds):
        handled = deliver_due()
        if not handled:
            break
        total += handled
    return total


def deliver_one(delivery_id: uuid.UUID) -> bool:
    """Claim one delivery, run its handler and mark it done, all in one transaction. False if it was not ours."""
    try:
        with transaction.atomic():
            claim = EventDelivery.objects.filter(id=delivery_id, state=EventDelivery.State.PENDING)
            if connection.features.has_select_for_update_skip_locked:
                claim = claim.select_for_update(skip_locked=True, of=("self",))
            delivery = claim.select_related("event").first()
            if delivery is None:
                return False
            handler = handlers_for(delivery.event.type).get(delivery.handler)
            if handler is None:
                raise LookupError(f"no handler is called {delivery.handler} in this release")
            handler(delivery.event)
            delivery.state, delivery.done_at = EventDelivery.State.DONE, clock.now()
            delivery.attempts += 1
            delivery.save(update_fields=["state", "done_at", "attempts"])
    except Exception as error:  # one failing handler must not hold up the others
        log.exception("event delivery %s failed", delivery_id)
        _put_off(delivery_id, error)
    return True


def _put_off(delivery_id: uuid.UUID, error: Exception) -> None:
    with transaction.atomic():
        delivery = EventDelivery.objects.filter(id=delivery_id, state=EventDelivery.State.PENDING).first()
        if delivery is None:
            return
        delivery.attempts += 1
        delivery.last_error = f"{type(error).__name__}: {error}"[:2000]
        delivery.due_at = clock.now() + dt.timedelta(seconds=min(3600, 2**delivery.attempts))
        if delivery.attempts >= MAX_ATTEMPTS:
            delivery.state = EventDelivery.State.DEAD
        delivery.save(update_fields=["attempts", "last_error", "due_at", "state"])
