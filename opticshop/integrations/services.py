"""Writes of integrations: webhook endpoints, their secrets, and deliveries sent again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, VersionMismatch
from opticshop.core.ids import new_id
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from . import addresses, event_types, events, feed, sealing, selectors, sending, signing, telling
from .models import ENDPOINT_MOVES, FeedEntry, WebhookDelivery, WebhookEndpoint
from .permissions import IntegrationPermission
from .posting import Answer
from .sending import record

MANAGE = IntegrationPermission.MANAGE
State, Delivery = WebhookEndpoint.State, WebhookDelivery.State
#: How long both secrets sign after a rotation, unless it is said otherwise.
OVERLAP_HOURS = 24
REPLAY_AT_MOST = 10_000
TEST_TYPE = "integrations.test"


class EndpointNotActive(Conflict):
    """Nothing is sent, or sent again, to an endpoint that is paused, gone or retired. Resume it first."""

    code = "integrations.endpoint_not_active"
    title = "This endpoint is not active"


class EndpointRetired(Conflict):
    """A retired endpoint stays as it is, with its deliveries; a new one is made instead."""

    code = "integrations.endpoint_retired"
    title = "This endpoint is retired"


class NotToBeResent(Conflict):
    """Only a delivery that is dead or was delivered can be sent again."""

    code = "integrations.not_to_be_resent"
    title = "This delivery cannot be sent again"


class ReplayTooLong(Invalid):
    """A replay covers at most 10,000 events; begin at a later point, or read the feed."""

    code = "integrations.replay_too_long"
    title = "The replay covers too many events"


@dataclass(frozen=True, slots=True)
class WithSecret:
    """An endpoint with its new secret, which is shown this once."""

    endpoint: WebhookEndpoint
    secret: str


def endpoint_add(
    *,
    actor: Actor,
    url: str,
    event_types: Iterable[str],
    branch: Branch | None = None,
    description: str = "",
    format: str = WebhookEndpoint.Format.PLAIN,
) -> WithSecret:
    """Let an address be told what happens from now on, in one branch or (without one) in the whole group."""
    _require(actor, branch)
    addresses.destination(url)
    types, secret = _types(actor, event_types, branch), signing.new_secret()
    with transaction.atomic():
        endpoint = WebhookEndpoint.objects.create(
            branch=branch,
            url=url,
            description=description,
            event_types=types,
            format=format,
            sealed_secret=sealing.seal(secret),
        )
        record(events.ENDPOINT_ADDED, endpoint, actor)
    return WithSecret(endpoint, secret)


def endpoint_change(
    *, actor: Actor, endpoint: WebhookEndpoint, version: int, changes: dict[str, Any]
) -> WebhookEndpoint:
    """Change where, what and how an endpoint is told, guarded by its version; a new address is tried at once.

    Whoever changes where it goes must be allowed to read what goes there, as if it were added anew.
    """
    _require(actor, endpoint.branch)
    columns = dict(changes)
    if "url" in columns:
        addresses.destination(columns["url"])
        _types(actor, endpoint.event_types, endpoint.branch)
    if "event_types" in columns:
        columns["event_types"] = _types(actor, columns["event_types"], endpoint.branch)
    with transaction.atomic():
        held = _held(endpoint)
        if held.version != version:
            raise VersionMismatch(field="If-Match")
        if "url" in columns and held.lease is None:
            columns["held_until"] = clock.now()
        record(events.ENDPOINT_CHANGED, held, actor, fields=sorted(changes))
        return _written(held, **columns)


def endpoint_pause(*, actor: Actor, endpoint: WebhookEndpoint) -> WebhookEndpoint:
    """Send nothing for now; what happens meanwhile waits in order."""
    return _moved(actor, endpoint, State.PAUSED)


def endpoint_resume(*, actor: Actor, endpoint: WebhookEndpoint) -> WebhookEndpoint:
    """Send again, beginning at once. What happened while an endpoint was gone was not kept for it: replay it."""
    return _moved(actor, endpoint, State.ACTIVE)


def endpoint_retire(*, actor: Actor, endpoint: WebhookEndpoint) -> WebhookEndpoint:
    """End an endpoint for good; what was not yet delivered is withdrawn, what was stays on record."""
    return _moved(actor, endpoint, State.RETIRED)


def secret_rotate(*, actor: Actor, endpoint: WebhookEndpoint, overlap_hours: int = OVERLAP_HOURS) -> WithSecret:
    """A new secret, returned this once. Until the overlap ends the one before signs as well; older ones no more."""
    _require(actor, endpoint.branch)
    secret = signing.new_secret()
    with transaction.atomic():
        held = _held(endpoint)
        changed = _written(
            held,
            sealed_secret=sealing.seal(secret),
            sealed_previous=held.sealed_secret if overlap_hours else "",
            previous_until=clock.now() + dt.timedelta(hours=overlap_hours) if overlap_hours else None,
        )
        record(events.SECRET_ROTATED, held, actor)
    return WithSecret(changed, secret)


def endpoint_test(*, actor: Actor, endpoint: WebhookEndpoint) -> Answer:
    """Send a signed trial message now, past the queue, and say what came of it; it works while paused, too."""
    _require(actor, endpoint.branch)
    if endpoint.state == State.RETIRED:
        raise EndpointRetired
    now, message_id = clock.now(), f"test-{new_id()}"
    body = telling.trial_body(endpoint, TEST_TYPE, message_id, now)
    answer = sending.deliver(sending.parcel_for(endpoint, body, message_id, now))
    with transaction.atomic():
        record(events.ENDPOINT_TESTED, endpoint, actor, status=answer.status)
    return answer


def deliveries_replay(*, actor: Actor, endpoint: WebhookEndpoint, after: str) -> int:
    """Queue again, in order, all that the endpoint wants after a point of the feed; returns how many.

    Raises CursorGone where events after that point are kept no more.
    """
    _require(actor, endpoint.branch)
    position = selectors.position_of(actor, after)
    with transaction.atomic():
        feed.lock_head()
        selectors.check_kept(position)
        held = _held(endpoint)
        if held.state != State.ACTIVE:
            raise EndpointNotActive(f"It is {held.state}.")
        entries = FeedEntry.objects.everywhere("what the endpoint was given to hear").filter(
            position__gt=position, type__in=held.event_types
        )
        if held.branch_id:
            entries = entries.filter(branch_id=held.branch_id)
        wanted = list(entries.order_by("position").values_list("position", flat=True)[: REPLAY_AT_MOST + 1])
        if len(wanted) > REPLAY_AT_MOST:
            raise ReplayTooLong(field="after", allowed=f"at most {REPLAY_AT_MOST} events")
        WebhookDelivery.objects.bulk_create(
            [WebhookDelivery(endpoint=held, entry_id=place) for place in wanted],
            batch_size=feed.BATCH,
            ignore_conflicts=True,
        )
        known = WebhookDelivery.objects.everywhere("of this endpoint").filter(endpoint=held, entry__gt=position)
        known.filter(entry__type__in=held.event_types).exclude(state=Delivery.PENDING).update(**_QUEUED)
        record(events.DELIVERIES_REPLAYED, held, actor, after=position, deliveries=len(wanted))
    return len(wanted)


def delivery_resend(*, actor: Actor, delivery: WebhookDelivery) -> WebhookDelivery:
    """Queue one delivery again; as the oldest of its endpoint it goes before those that wait."""
    endpoint = delivery.endpoint
    _require(actor, endpoint.branch)
    with transaction.atomic():
        held = _held(endpoint)
        if held.state != State.ACTIVE:
            raise EndpointNotActive(f"It is {held.state}.")
        rows = WebhookDelivery.objects.everywhere("by key, permission checked above").filter(id=delivery.id)
        if not rows.filter(state__in=[Delivery.DEAD, Delivery.DELIVERED]).update(**_QUEUED):
            raise NotToBeResent(f"It is {delivery.state}.", field="state", allowed=["dead", "delivered"])
        record(events.DELIVERY_RESENT, held, actor, delivery=str(delivery.id))
    delivery.refresh_from_db()
    return delivery


_QUEUED: dict[str, Any] = {"state": Delivery.PENDING, "tries": 0, "settled_at": None}


def _require(actor: Actor, branch: Branch | None) -> None:
    """Whoever manages the webhooks of a branch; for the whole group only who does so everywhere."""
    actor.require(MANAGE, branch.id if branch else None)
    if branch is None and actor.where(MANAGE) is not ALL:
        raise Forbidden("A webhook for the whole group is managed by the head office.", permission=str(MANAGE))


def _types(actor: Actor, wanted: Iterable[str], branch: Branch | None) -> list[str]:
    """The types, if the actor may read each of them in all the places the endpoint hears from."""
    types = selectors.check_types(actor, wanted, branch, field="event_types")
    for event_type in types:
        permission = event_types.NEEDED[event_types.area_of(event_type)]
        if branch is None and actor.where(permission) is not ALL:
            raise Forbidden(f"Reading {event_type} in the whole group needs {permission} everywhere.")
    return types


def _held(endpoint: WebhookEndpoint) -> WebhookEndpoint:
    """The endpoint, locked. Raises EndpointRetired."""
    rows = WebhookEndpoint.objects.everywhere("by key, permission checked by the caller")
    [held] = lock_rows(rows.filter(id=endpoint.id))
    if held.state == State.RETIRED:
        raise EndpointRetired
    return held


def _written(held: WebhookEndpoint, **columns: Any) -> WebhookEndpoint:
    rows = WebhookEndpoint.objects.everywhere("by key, permission checked by the caller").filter(id=held.id)
    rows.update(version=F("version") + 1, **columns)
    held.refresh_from_db()
    return held


def _moved(actor: Actor, endpoint: WebhookEndpoint, state: str) -> WebhookEndpoint:
    _require(actor, endpoint.branch)
    with transaction.atomic():
        feed.lock_head()  # nothing is queued for it between the look and the move
        held = _held(endpoint)
        check_move(ENDPOINT_MOVES, held.state, state, of="The endpoint")
        if state == State.RETIRED:
            pending = WebhookDelivery.objects.everywhere("of this endpoint").filter(endpoint=held)
            pending.filter(state=Delivery.PENDING).update(state=Delivery.WITHDRAWN, settled_at=clock.now())
        columns = {"held_until": clock.now()} if state == State.ACTIVE and held.lease is None else {}
        record(events.ENDPOINT_STATE_CHANGED, held, actor, state=str(state))
        return _written(held, state=state, **columns)
