"""The transactional outbox: a service records what happened; subscribers hear of it at least once, after commit.

A subscriber runs inside one transaction together with the row that says it ran, so what it writes to the database
happens exactly once. One that acts outside the database says ``outside=True``: it is called under a lease, with no
transaction open, and must be idempotent by ``event.id``.
"""

from __future__ import annotations

import datetime as dt
import logging
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.db.models import QuerySet

from . import acting, clock, spans
from .acting import system_acting
from .actor import Actor
from .models import EventDelivery, OutboxEvent
from .partitions import key_at
from .writing import inserted

log = logging.getLogger("opticshop.outbox")

Handler = Callable[[OutboxEvent], None]


@dataclass(frozen=True, slots=True)
class Subscriber:
    handle: Handler
    outside: bool = False


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened, for ``record_many``."""

    event_type: str
    subject: str
    branch_id: uuid.UUID | None
    data: Mapping[str, Any] = field(default_factory=dict)


_subscribers: dict[str, dict[str, Subscriber]] = {}
#: How long a handler that acts outside the database may take before its delivery is handed out again.
LEASE = dt.timedelta(minutes=2)
EVERY_TYPE = "*"
PENDING, DONE, DEAD = EventDelivery.State.PENDING, EventDelivery.State.DONE, EventDelivery.State.DEAD
MAX_ATTEMPTS = 12


def subscribe(event_type: str, name: str, *, outside: bool = False) -> Callable[[Handler], Handler]:
    """Register a handler under a stable name for one event type, or for all with ``EVERY_TYPE``."""

    def register(handler: Handler) -> Handler:
        taken = _subscribers.setdefault(event_type, {})
        if name in taken and taken[name].handle is not handler:
            raise ValueError(f"two handlers are called {name}")
        taken[name] = Subscriber(handler, outside)
        return handler

    return register


def unsubscribe(event_type: str, name: str) -> None:
    """Forget a handler; deliveries already written for it wait until it is there again."""
    _subscribers.get(event_type, {}).pop(name, None)


def handlers_for(event_type: str) -> dict[str, Subscriber]:
    return {**_subscribers.get(event_type, {}), **_subscribers.get(EVERY_TYPE, {})}


def record(
    *, event_type: str, subject: str, actor: Actor, branch_id: uuid.UUID | None, data: Mapping[str, Any]
) -> OutboxEvent:
    """Write the event and one delivery per subscriber in the caller's transaction; wake the worker after commit."""
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("an event is recorded inside the transaction that made it")
    [event] = _written([Happening(event_type, subject, branch_id, data)], actor)
    return event


def record_many(*, actor: Actor, happenings: Sequence[Happening]) -> list[OutboxEvent]:
    """As ``record`` for many at once, in their order; the number of queries does not grow with them."""
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("events are recorded inside the transaction that made them")
    return _written(happenings, actor) if happenings else []


def _written(happenings: Sequence[Happening], actor: Actor) -> list[OutboxEvent]:
    request_id, traceparent = acting.current().fact("request_id") or "", spans.traceparent()
    events = inserted(
        OutboxEvent(
            type=one.event_type,
            subject=one.subject,
            branch_id=one.branch_id,
            actor_id=actor.id,
            actor_label=actor.label,
            data=dict(one.data),
            request_id=request_id,
            traceparent=traceparent,
        )
        for one in happenings
    )
    inserted(EventDelivery(event=event, handler=name) for event in events for name in handlers_for(event.type))
    transaction.on_commit(_wake)
    return events


def _wake() -> None:
    if settings.OPTICSHOP_JOBS == "celery":
        from .tasks import wake

        wake("core.deliver_events")


def deliver_due(limit: int = 200, seconds: float | None = None) -> int:
    """Hand out deliveries that are due, oldest first; returns how many were handled. Safe to run in parallel.

    With ``seconds`` goes on while there is anything due, and begins nothing after that time.
    """
    ends = None if seconds is None else time.monotonic() + seconds
    total = 0
    while True:
        due = EventDelivery.objects.filter(state=PENDING, due_at__lte=clock.now())
        ids = list(due.order_by("due_at", "id").values_list("id", flat=True)[:limit])
        handled = 0
        for delivery_id in ids:
            if ends is not None and time.monotonic() >= ends:
                return total + handled
            handled += deliver_one(delivery_id)
        total += handled
        if ends is None or not handled or len(ids) < limit:
            return total


def done_before(moment: dt.datetime) -> QuerySet[EventDelivery]:
    """Deliveries that were done before that moment, in the order of their keys; one that is dead or waits is none."""
    rows = EventDelivery.objects.filter(id__lt=key_at(moment), state=DONE, done_at__lt=moment)
    return rows.order_by("id")


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
    """Claim one delivery and run its handler. False if it was not ours to deliver, or not due."""
    attempt = 0
    try:
        with transaction.atomic():
            delivery = _claimed(delivery_id)
            if delivery is None:
                return False
            attempt, before = delivery.attempts + 1, delivery.attempts
            subscriber = handlers_for(delivery.event.type).get(delivery.handler)
            if subscriber is None:
                raise LookupError(f"no handler is called {delivery.handler} in this release")
            if subscriber.outside:
                _settle(delivery_id, before, attempts=attempt, due_at=clock.now() + LEASE)
            else:
                with _caused_by(delivery):
                    subscriber.handle(delivery.event)
                _settle(delivery_id, before, attempts=attempt, state=DONE, done_at=clock.now())
        if subscriber.outside:
            with _caused_by(delivery):
                subscriber.handle(delivery.event)
            _settle(delivery_id, attempt, state=DONE, done_at=clock.now())
    except Exception as error:  # one failing handler must not hold up the others
        log.exception("event delivery %s failed", delivery_id)
        _put_off(delivery_id, attempt, error)
    return True


@contextmanager
def _caused_by(delivery: EventDelivery) -> Iterator[None]:
    """The handler acts: with the id of the request, and within the trace, that the event came of."""
    event = delivery.event
    facts = {
        "messaging__system": "outbox",
        "messaging__message__id": str(event.id),
        "opticshop__event": event.type,
        "opticshop__request_id": event.request_id,
        "opticshop__attempt": delivery.attempts + 1,
    }
    with (
        system_acting(delivery.handler, _because(event), event.request_id),
        spans.span(f"deliver {delivery.handler}", kind="consumer", parent=event.traceparent, **facts),
    ):
        yield


def _because(event: OutboxEvent) -> str:
    """Why a handler acts, for the audit trail."""
    return f"{event.type} {event.id} of {event.actor_label}"


def _claimed(delivery_id: uuid.UUID) -> EventDelivery | None:
    """The delivery, locked, if it is pending and due and nobody else holds it."""
    due = EventDelivery.objects.filter(id=delivery_id, state=PENDING, due_at__lte=clock.now())
    if connection.features.has_select_for_update_skip_locked:
        due = due.select_for_update(skip_locked=True, of=("self",))
    return due.select_related("event").first()


def _settle(delivery_id: uuid.UUID, seen: int, **values: Any) -> None:
    """Write the outcome, unless somebody else took the delivery in the meantime: the count of attempts is the mark."""
    EventDelivery.objects.filter(id=delivery_id, state=PENDING, attempts=seen).update(**values)


def _words(error: BaseException) -> str:
    """The error with what lies behind it, for whoever looks at the delivery."""
    words = f"{type(error).__name__}: {error}"
    return (words if error.__cause__ is None else f"{words} <- {_words(error.__cause__)}")[:2000]


def _put_off(delivery_id: uuid.UUID, attempt: int, error: Exception) -> None:
    """Try again later, the later the more often it failed; give up visibly in the end."""
    failed = {
        "attempts": attempt,
        "state": DEAD if attempt >= MAX_ATTEMPTS else PENDING,
        "last_error": _words(error),
        "due_at": clock.now() + dt.timedelta(seconds=min(3600, 2**attempt)),
    }
    # Rolled back with its transaction, the attempt is not counted yet; under a lease it is.
    EventDelivery.objects.filter(id=delivery_id, state=PENDING, attempts__in=(attempt - 1, attempt)).update(**failed)
