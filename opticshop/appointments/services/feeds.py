"""Calendar feeds: shared at an address shown once, read by whoever has it, revoked."""

from __future__ import annotations

import datetime as dt
import secrets
import uuid
from dataclasses import dataclass

from django.db import transaction

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, NotFound
from opticshop.core.locks import lock_rows
from opticshop.core.sealing import digest

from .. import events, selectors, showing
from ..calendar_files import Entry
from ..hours import Span
from ..models import CalendarFeed
from ..permissions import AppointmentPermission
from .booking import PersonNotHere

What = CalendarFeed.What
BACK, AHEAD = dt.timedelta(days=30), dt.timedelta(days=365)
#: That a feed was read is written down no more often than this.
READ_NOTED = dt.timedelta(minutes=5)


class FeedRevoked(Conflict):
    """A feed is revoked once, and for good; share another."""

    code = "appointments.feed_revoked"
    title = "This feed is revoked"


@dataclass(frozen=True, slots=True)
class WithToken:
    """A feed with its token, which is shown this once."""

    feed: CalendarFeed
    token: str


def feed_share(
    *,
    actor: Actor,
    branch: Branch,
    what: str,
    name: str,
    person: User | None = None,
    shows_given_names: bool = False,
) -> WithToken:
    """Share a calendar of a branch. One's own appointments may be shared by whoever books there."""
    _require(actor, branch.id, person)
    if person is not None and not selectors.workers_of(branch).filter(id=person.id).exists():
        raise PersonNotHere(field="person", allowed="a person who works at the branch")
    token = secrets.token_urlsafe(32)
    with transaction.atomic():
        feed = CalendarFeed.objects.create(
            branch=branch,
            what=what,
            person=person,
            name=name,
            shows_given_names=shows_given_names,
            token_hash=digest(token),
            created_by_id=actor.id,
        )
        _record(events.FEED_SHARED, feed, actor)
    return WithToken(feed, token)


def feed_revoke(*, actor: Actor, feed: CalendarFeed) -> CalendarFeed:
    """Close a feed for good: its address answers as if it had never been."""
    _require(actor, feed.branch_id, feed.person)
    with transaction.atomic():
        rows = CalendarFeed.objects.everywhere("by key, permission checked above").filter(id=feed.id)
        [row] = lock_rows(rows.select_related("person"))
        if row.revoked_at is not None:
            raise FeedRevoked(field="revoked_at")
        row.revoked_at = clock.now()
        row.save(update_fields=["revoked_at"])
        _record(events.FEED_REVOKED, row, actor)
    return row


def feed_read(token: str) -> tuple[CalendarFeed, list[Entry]]:
    """The feed of a token and what it shows now. Raises NotFound, the same for any token that admits to nothing."""
    feed, now = selectors.feed_of_token(token), clock.now()
    if feed is None:
        raise NotFound("There is no calendar here.")
    window, names, entries = Span(now - BACK, now + AHEAD), feed.shows_given_names, []
    for row in selectors.feed_appointments(feed, window, now - BACK):
        entries.append(showing.staff_entry(row, given_name=names))
    if feed.what in (What.COLLECTIONS, What.EVERYTHING):
        for order in selectors.feed_orders(feed, window):
            moments = (order.placed_at, order.ready_at, order.last_promise_at)
            changed_at = max(moment for moment in moments if moment is not None)
            entries.append(showing.order_entry(order, feed.branch, changed_at, given_name=names))
    if feed.last_read_at is None or feed.last_read_at < now - READ_NOTED:
        CalendarFeed.objects.everywhere("the token admits").filter(id=feed.id).update(last_read_at=now)
    return feed, entries


def _require(actor: Actor, branch_id: uuid.UUID, person: User | None) -> None:
    own = person is not None and person.id == actor.id
    needed = AppointmentPermission.SHARE_OWN_FEED if own else AppointmentPermission.SHARE_FEED
    actor.require(needed, branch_id)


def _record(event_type: str, feed: CalendarFeed, actor: Actor) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"calendar-feeds/{feed.id}",
        actor=actor,
        branch_id=feed.branch_id,
        data={"feed": str(feed.id), "what": feed.what},
    )
