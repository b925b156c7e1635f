"""Sending what is queued. Rows decide: an endpoint is claimed with its next delivery and the attempt is committed, then
sent with no transaction open, then what came of it is written, if the claim is still ours.

At least once, in the order of the feed, one in flight per endpoint. The same id goes with every attempt at an event,
with a new timestamp and signature. A delivery that fails is tried again with growing pauses and holds up those behind
it; after MAX_TRIES it is dead, visible, and the next one's turn comes.
"""

from __future__ import annotations

import datetime as dt
import logging
import random
import time
import uuid
from collections.abc import Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Exists, F, OuterRef

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor, system
from opticshop.core.errors import Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet

from . import addresses, events, posting, sealing, selectors, signing, telling
from .models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from .posting import Answer

log = logging.getLogger("opticshop.integrations")
SENDER = system("webhooks")
State, Delivery = WebhookEndpoint.State, WebhookDelivery.State

SENDERS = 8
#: How long one run of the duty takes up further work.
ROUND_SECONDS = 10.0
#: An attempt that is older belongs to a process that died. Longer than any attempt can take.
LEASE = dt.timedelta(minutes=2)
#: 5 s, 15 s, 45 s, 2 min, 7 min, 20 min, 1 h, 3 h, then every 6 h: about a day in all.
MAX_TRIES = 12
FIRST_PAUSE = 5.0
LONGEST_PAUSE = 6 * 3600.0
#: How far a Retry-After may put us off.
LONGEST_WISH = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Parcel:
    """All that the sending thread needs; it touches no database."""

    url: str
    body: bytes
    content_type: str
    message_id: str
    timestamp: int
    sealed_secrets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Claim:
    endpoint_id: uuid.UUID
    delivery_id: uuid.UUID
    attempt_id: uuid.UUID
    parcel: Parcel


def send_due() -> int:
    """Send what is due, several endpoints side by side; returns how many attempts were made. Safe to run twice."""
    began, made = time.monotonic(), 0
    in_flight: dict[Future[Answer], Claim] = {}
    with ThreadPoolExecutor(SENDERS, thread_name_prefix="webhooks") as pool:
        while True:
            if time.monotonic() - began < ROUND_SECONDS:
                for endpoint_id in _due().values_list("id", flat=True)[: SENDERS - len(in_flight)]:
                    if found := claim(endpoint_id):
                        in_flight[pool.submit(deliver, found.parcel)] = found
            if not in_flight:
                return made
            for done in wait(in_flight, return_when=FIRST_COMPLETED).done:
                claimed, made = in_flight.pop(done), made + 1
                try:
                    settle(claimed, done.result())
                except Exception:  # its lease will end; it must not take the others with it
                    log.exception("what came of webhook attempt %s could not be written", claimed.attempt_id)


def claim(endpoint_id: uuid.UUID) -> Claim | None:
    """Take the endpoint with its next delivery and commit the attempt. None if somebody else did, or it died of it."""
    with transaction.atomic():
        rows = _due().filter(id=endpoint_id)
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, of=("self",))
        endpoint = rows.first()
        pending = _deliveries().filter(endpoint_id=endpoint_id, state=Delivery.PENDING).select_related("entry__event")
        delivery = pending.order_by("entry_id").first() if endpoint else None
        if endpoint is None or delivery is None:
            return None
        if delivery.tries >= MAX_TRIES:
            _bury(endpoint, delivery)
            return None
        now = clock.now()
        delivery.tries, delivery.attempt_count = delivery.tries + 1, delivery.attempt_count + 1
        delivery.save(update_fields=["tries", "attempt_count"])
        attempt = WebhookAttempt.objects.create(delivery=delivery, number=delivery.attempt_count, started_at=now)
        _all().filter(id=endpoint_id).update(lease=attempt.id, held_until=now + LEASE)
        code = selectors.branch_codes([delivery.entry]).get(delivery.entry.branch_id)
        body = telling.body_for(endpoint, delivery.entry, code)
        parcel = parcel_for(endpoint, body, str(delivery.entry.event_id), now)
    return Claim(endpoint.id, delivery.id, attempt.id, parcel)


def parcel_for(endpoint: WebhookEndpoint, body: bytes, message_id: str, now: dt.datetime) -> Parcel:
    """The body with what is needed to sign it: during the overlap after a rotation, with both secrets."""
    secrets = [endpoint.sealed_secret]
    if endpoint.sealed_previous and endpoint.previous_until and now < endpoint.previous_until:
        secrets.append(endpoint.sealed_previous)
    content_type = telling.content_type_of(endpoint)
    return Parcel(endpoint.url, body, content_type, message_id, int(now.timestamp()), tuple(secrets))


def deliver(parcel: Parcel) -> Answer:
    """Judge the address, sign, post. Whatever goes wrong is an answer, so no claim is left without its outcome."""
    try:
        to = addresses.destination(parcel.url)
        keys = [sealing.unseal(sealed) for sealed in parcel.sealed_secrets]
        headers = signing.headers(keys, parcel.message_id, parcel.timestamp, parcel.body)
        agent = f"opticshop/{settings.OPTICSHOP_VERSION}"
        return posting.post(to, parcel.body, {"Content-Type": parcel.content_type, "User-Agent": agent, **headers})
    except (Invalid, sealing.Unreadable) as error:
        return Answer(error=str(error)[:300])
    except Exception as error:
        log.exception("webhook to %s failed here", parcel.url)
        return Answer(error=f"Failed here: {type(error).__name__}")


def settle(claimed: Claim, answer: Answer) -> None:
    """Write what came of an attempt, and when the endpoint is next due."""
    now = clock.now()
    with transaction.atomic():
        held = lock_rows(_all().filter(id=claimed.endpoint_id))
        WebhookAttempt.objects.filter(id=claimed.attempt_id).update(
            finished_at=now,
            status=answer.status,
            duration_ms=answer.duration_ms,
            response=answer.response,
            error=answer.error,
        )
        endpoint = held[0]
        if endpoint.lease != claimed.attempt_id:
            return  # it took longer than the lease; somebody else has it
        _all().filter(id=endpoint.id).update(lease=None, held_until=now)
        delivery = _deliveries().filter(id=claimed.delivery_id, state=Delivery.PENDING).first()
        if delivery is None:
            return
        if answer.is_welcome:
            _deliveries().filter(id=delivery.id).update(state=Delivery.DELIVERED, settled_at=now)
        elif answer.status == 410 and endpoint.state in {State.ACTIVE, State.PAUSED}:
            _all().filter(id=endpoint.id).update(state=State.GONE, version=F("version") + 1)
            record(events.ENDPOINT_STATE_CHANGED, endpoint, SENDER, state=str(State.GONE))
        elif delivery.tries >= MAX_TRIES:
            _bury(endpoint, delivery)
        else:
            _all().filter(id=endpoint.id).update(held_until=now + pause(delivery.tries, answer, now))


def pause(tries: int, answer: Answer, now: dt.datetime) -> dt.timedelta:
    """Growing threefold, up to a quarter longer or shorter by chance; longer still if the receiver asks for it."""
    seconds = min(LONGEST_PAUSE, FIRST_PAUSE * 3 ** (tries - 1)) * random.uniform(0.75, 1.25)
    wished = _wished(answer.retry_after, now) if answer.status in {429, 503} else dt.timedelta()
    return max(dt.timedelta(seconds=seconds), min(wished, LONGEST_WISH))


def _wished(retry_after: str, now: dt.datetime) -> dt.timedelta:
    """Retry-After in seconds or as a date (RFC 9110, section 10.2.3)."""
    text = retry_after.strip()
    if text.isascii() and text.isdigit():
        return dt.timedelta(seconds=min(int(text[:9]), LONGEST_WISH.total_seconds()))
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return dt.timedelta()
    return (moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)) - now


def _bury(endpoint: WebhookEndpoint, delivery: WebhookDelivery) -> None:
    _deliveries().filter(id=delivery.id).update(state=Delivery.DEAD, settled_at=clock.now())
    _all().filter(id=endpoint.id).update(lease=None, held_until=clock.now())
    record(events.DELIVERY_DIED, endpoint, SENDER, delivery=str(delivery.id))


def record(event_type: str, endpoint: WebhookEndpoint, actor: Actor, **more: Any) -> None:
    facts: Mapping[str, Any] = {"endpoint": str(endpoint.id), **more}
    outbox.record(
        event_type=event_type,
        subject=f"webhook-endpoints/{endpoint.id}",
        actor=actor,
        branch_id=endpoint.branch_id,
        data=facts,
    )


def _all() -> BranchQuerySet[WebhookEndpoint]:
    return WebhookEndpoint.objects.everywhere("the duty sends for every branch")


def _deliveries() -> BranchQuerySet[WebhookDelivery]:
    return WebhookDelivery.objects.everywhere("the duty sends for every branch")


def _due() -> BranchQuerySet[WebhookEndpoint]:
    """Endpoints that may be sent to now and have something waiting, the longest due first."""
    waiting = _deliveries().filter(endpoint=OuterRef("pk"), state=Delivery.PENDING)
    return _all().filter(Exists(waiting), state=State.ACTIVE, held_until__lte=clock.now()).order_by("held_until", "id")
