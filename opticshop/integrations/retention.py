"""Letting old events go, with what hangs on them. Two ages, in days:

- ``OPTICSHOP_DELIVERIES_DAYS``: finished deliveries, to handlers and to webhooks, with their attempts.
- ``OPTICSHOP_EVENTS_DAYS``: the event itself and its place in the feed.

The feed goes from its beginning, in order and without a hole: it stops before the first event that not everybody has
got. A delivery to a handler that waits or is dead holds it up, and one to a webhook that waits; a person settles that.
``FeedHead.forgotten`` tells how far it went, and whoever asks from before is told so (410).

On PostgreSQL the events themselves go by months, when nothing refers to one any more, and on SQLite by lots. Rows
decide: it may be broken off anywhere, run twice, and run beside itself.
"""

from __future__ import annotations

import datetime as dt
import itertools
import logging
import time
import uuid
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, DatabaseError, connection, transaction
from django.db.models import QuerySet

from opticshop.audit.models import AuditEntry
from opticshop.audit.services import note
from opticshop.core import clock, outbox, partitions
from opticshop.core.append_only import may_open, opened
from opticshop.core.locks import is_contention
from opticshop.core.models import EventDelivery
from opticshop.core.scoping import BranchQuerySet

from . import feed, selectors
from .models import FeedEntry, FeedHead, WebhookAttempt, WebhookDelivery

log = logging.getLogger("opticshop.integrations")
FEED, EVENTS, DELIVERIES = "integrations_feedentry", "core_outboxevent", "core_eventdelivery"
#: Events, or deliveries, that go in one transaction; meanwhile no event gets its place in the feed.
LOT = 500
LOCK_TRIES = 20
_EVERYBODY = "old events of every branch go"


@dataclass
class Forgotten:
    """What went, in rows and names of partitions; ``held_by``: in words, what stands in the way of the next event."""

    events: int = 0
    deliveries: int = 0
    webhook_deliveries: int = 0
    attempts: int = 0
    unplaced: int = 0
    partitions: list[str] = field(default_factory=list)
    held_by: str = ""

    @property
    def rows(self) -> int:
        return self.events + self.deliveries + self.webhook_deliveries + self.attempts + self.unplaced


def forget(*, seconds: float | None = None, tries: int = LOCK_TRIES) -> Forgotten:
    """Let go of what is old, and begin nothing after so many seconds. Events go for the owner of the tables only."""
    ends = None if seconds is None else time.monotonic() + seconds
    done = Forgotten()

    def goes_on() -> bool:
        return ends is None or time.monotonic() < ends

    if moment := _moment(settings.OPTICSHOP_DELIVERIES_DAYS):
        while goes_on() and _deliveries_go(done, moment):
            pass
    if moment := _moment(settings.OPTICSHOP_EVENTS_DAYS):
        before = partitions.key_at(moment)
        if may_open():
            while goes_on() and _with_patience(lambda: _lot_goes(done, before), tries):
                pass
            while goes_on() and _unplaced_go(done, before):
                pass
            if goes_on():
                _months_go(done, before, tries)
        elif _next_lot(before)[0]:
            log.warning("events are older than they are kept: run manage.py events_prune as the owner of the tables")
    if done.rows or done.partitions:
        told = {name: value for name, value in asdict(done).items() if value}
        note(action=AuditEntry.Action.OTHER, table=FEED, after=told | {"forgotten_upto": selectors.forgotten()})
    if done.held_by:
        log.warning("older events are kept longer: %s", done.held_by)
    return done


def would_forget() -> Forgotten:
    """What would go now; nothing is changed."""
    found = Forgotten()
    if moment := _moment(settings.OPTICSHOP_DELIVERIES_DAYS):
        found.deliveries = outbox.done_before(moment).count()
        found.webhook_deliveries = _finished(moment).count()
        found.attempts = WebhookAttempt.objects.filter(delivery__in=_finished(moment)).count()
    if moment := _moment(settings.OPTICSHOP_EVENTS_DAYS):
        before, after = partitions.key_at(moment), selectors.forgotten()
        while True:
            lot, found.held_by = _next_lot(before, after=after)
            found.events += len(lot)
            if not lot or found.held_by:
                break
            after = lot[-1][0]
        found.partitions = [each.name for each in _free(before)]
    return found


def _moment(days: int) -> dt.datetime | None:
    return clock.now() - dt.timedelta(days=days) if days > 0 else None


# --- deliveries ---------------------------------------------------------------------------------------------------
def _finished(moment: dt.datetime) -> BranchQuerySet[WebhookDelivery]:
    rows = WebhookDelivery.objects.everywhere(_EVERYBODY).filter(id__lt=partitions.key_at(moment))
    return rows.filter(settled_at__lt=moment).exclude(state=WebhookDelivery.State.PENDING).order_by("id")


@transaction.atomic
def _deliveries_go(done: Forgotten, moment: dt.datetime) -> bool:
    """One lot of finished deliveries; whether there were any."""
    keys = list(outbox.done_before(moment).values_list("id", flat=True)[:LOT])
    gone = _gone(EventDelivery.objects.filter(id__in=keys, state=outbox.DONE))
    hooks = list(_finished(moment).values_list("id", flat=True)[:LOT])
    attempts, sent = _hooks_go(hooks)
    done.deliveries, done.webhook_deliveries = done.deliveries + gone, done.webhook_deliveries + sent
    done.attempts += attempts
    return bool(gone or sent)


def _hooks_go(keys: list[uuid.UUID]) -> tuple[int, int]:
    """Attempts and deliveries that went. One that is queued again meanwhile stays; locked, it cannot be."""
    if not keys:
        return 0, 0
    rows = WebhookDelivery.objects.everywhere(_EVERYBODY).filter(id__in=keys)
    rows = rows.exclude(state=WebhookDelivery.State.PENDING)
    if connection.features.has_select_for_update_skip_locked:
        rows = rows.select_for_update(skip_locked=True)
    held = list(rows.values_list("id", flat=True))
    attempts = _gone(WebhookAttempt.objects.filter(delivery_id__in=held))
    return attempts, _gone(WebhookDelivery.objects.everywhere(_EVERYBODY).filter(id__in=held))


def _gone(rows: QuerySet[Any]) -> int:
    """Delete in one statement; that nothing refers to them is for the database to see."""
    return rows._raw_delete(DEFAULT_DB_ALIAS) or 0


# --- the feed -----------------------------------------------------------------------------------------------------
def _next_lot(before: uuid.UUID, *, after: int | None = None) -> tuple[list[tuple[int, uuid.UUID]], str]:
    """Position and event of those that go next; and what holds up the first that does not, if it is old enough."""
    start = selectors.forgotten() if after is None else after
    rows = FeedEntry.objects.everywhere(_EVERYBODY).filter(position__gt=start).order_by("position")
    old = list(itertools.takewhile(lambda row: row[1].int < before.int, rows.values_list("position", "event_id")[:LOT]))
    holding = _holding(old)
    lot = list(itertools.takewhile(lambda row: row[0] not in holding, old))
    return lot, "" if len(lot) == len(old) else holding[old[len(lot)][0]]


def _holding(old: list[tuple[int, uuid.UUID]]) -> dict[int, str]:
    """Why an event is still needed, by position."""
    places = {event: position for position, event in old}
    undone = EventDelivery.objects.filter(event_id__in=places).exclude(state=outbox.DONE)
    waiting = WebhookDelivery.objects.everywhere(_EVERYBODY).filter(
        entry_id__in=places.values(), state=WebhookDelivery.State.PENDING
    )
    why = {places[event]: f"event {event} is {state} for {handler}" for event, handler, state in _said(undone)}
    for position, event, endpoint in waiting.values_list("entry_id", "entry__event_id", "endpoint_id"):
        why.setdefault(position, f"event {event} waits for the webhook endpoint {endpoint}")
    return why


def _said(undone: Any) -> Iterator[tuple[uuid.UUID, str, str]]:
    yield from undone.values_list("event_id", "handler", "state")


def _with_patience(do: Any, tries: int) -> bool:
    """Do it, and again where somebody else had the table; False where that went on, too."""
    for _ in range(tries):
        try:
            return bool(do())
        except DatabaseError as error:
            if not is_contention(error):
                raise
            time.sleep(0.1)
    return False


@transaction.atomic
def _lot_goes(done: Forgotten, before: uuid.UUID) -> bool:
    """The next places of the feed with what hangs on them; whether there were any. PostgreSQL keeps the events until
    their month goes; SQLite lets them go as unplaced ones."""
    head = feed.lock_head()
    lot, done.held_by = _next_lot(before, after=head.forgotten)
    if not lot:
        return False
    places, events = [position for position, _ in lot], [event for _, event in lot]
    hooks = WebhookDelivery.objects.everywhere(_EVERYBODY).filter(entry_id__in=places)
    attempts, sent = _hooks_go(list(hooks.values_list("id", flat=True)))
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL lock_timeout = '{partitions.LOCK_PATIENCE_MS}ms'")
    with opened([FEED]):
        _gone(FeedEntry.objects.everywhere(_EVERYBODY).filter(position__in=places))
    FeedHead.objects.filter(id=head.id).update(forgotten=places[-1])
    gone = _gone(EventDelivery.objects.filter(event_id__in=events, state=outbox.DONE))
    done.events, done.deliveries = done.events + len(lot), done.deliveries + gone
    done.attempts, done.webhook_deliveries = done.attempts + attempts, done.webhook_deliveries + sent
    return True


# --- the events themselves ----------------------------------------------------------------------------------------
def _unplaced_go(done: Forgotten, before: uuid.UUID) -> bool:
    """One lot of events that have no place and wait for nobody: on PostgreSQL those that lie in no month."""
    is_whole = connection.vendor != "postgresql"
    table, key = (EVENTS, before.hex) if is_whole else (f"{EVENTS}_other", str(before))
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            f"DELETE FROM {table} WHERE id IN (SELECT id FROM {table} e WHERE id < %s "
            f"AND NOT EXISTS (SELECT 1 FROM {FEED} f WHERE f.event_id = e.id) "
            f"AND NOT EXISTS (SELECT 1 FROM {DELIVERIES} d WHERE d.event_id = e.id) ORDER BY id LIMIT {LOT})",
            [key],
        )
        gone = cursor.rowcount
    done.unplaced += gone
    return gone == LOT


def _free(before: uuid.UUID) -> list[partitions.Partition]:
    return partitions.over(partitions.EVENTS, before, [(FEED, "event_id"), (DELIVERIES, "event_id")])


def _months_go(done: Forgotten, before: uuid.UUID, tries: int) -> None:
    for each in _free(before):
        if partitions.drop(partitions.EVENTS, each, tries=tries):
            done.partitions.append(each.name)
        else:
            log.warning("%s could not be let go: others had the table all the time", each.name)
