"""Reads of the feed and of webhooks, limited to the branches and the kinds of events the actor may see."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Prefetch

from opticshop.branches.models import Branch
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden, Invalid, NotFound
from opticshop.core.scoping import BranchQuerySet

from . import cursors, event_types, telling
from .models import FeedEntry, FeedHead, WebhookAttempt, WebhookDelivery, WebhookEndpoint
from .permissions import IntegrationPermission


class EventTypeUnknown(Invalid):
    """No part of the service declares an event type of this name; the answer names those there are."""

    code = "integrations.event_type_unknown"
    title = "There is no such event type"


class CursorUnknown(Invalid):
    """The cursor is neither one that a page of the feed gave nor the id of an event you may read."""

    code = "integrations.cursor_unknown"
    title = "The feed has no such point"


class CursorGone(Invalid):
    """What came after this point is kept no more: events older than the days that they are kept. ``oldest`` is the
    cursor from which the feed still goes on; what lies between is read at the resources themselves.
    """

    code = "integrations.cursor_gone"
    title = "The feed no longer goes back so far"
    status = 410


@dataclass(frozen=True, slots=True)
class FeedPage:
    """``after`` is where to go on from, also when nothing was found: it is never empty-handed."""

    entries: list[FeedEntry]
    after: int
    more: bool


def feed_visible_to(actor: Actor) -> BranchQuerySet[FeedEntry]:
    entries = FeedEntry.objects.visible_to(actor, IntegrationPermission.VIEW)
    return entries.filter(event_types.readable_by(actor)).select_related("event")


def feed_page(
    actor: Actor, *, after: int, size: int, types: Iterable[str] = (), branch: Branch | None = None
) -> FeedPage:
    """The next events after a position, oldest first. A position past the end is refused to whoever reads of every
    branch; others, who could find the end by trying, are told of nothing new.

    The head is read before the entries: every position up to it is committed, so a page that is not full may send its
    reader on from there, past what it may not see. What is kept is looked at after them, for the same reason. Raises
    CursorGone.
    """
    head = _head()
    if after > head and actor.where(IntegrationPermission.VIEW) is ALL:
        raise CursorUnknown(f"The feed ends at {head}.", field="after", allowed=f"0 to {head}")
    entries = feed_visible_to(actor).filter(position__gt=after, position__lte=head)
    if types:
        entries = entries.filter(type__in=check_types(actor, types, branch))
    if branch is not None:
        entries = entries.filter(branch_id=branch.id)
    found = list(entries.order_by("position")[: size + 1])
    check_kept(after)
    more = len(found) > size
    return FeedPage(found[:size], found[size - 1].position if more else head, more)


def feed_entry_get_for(actor: Actor, event_id: uuid.UUID) -> FeedEntry:
    found = feed_visible_to(actor).filter(event_id=event_id).first()
    if found is None:
        raise NotFound(f"There is no event {event_id} here.")
    return found


def position_of(actor: Actor, point: str) -> int:
    """The position that a cursor, or the id of an event, stands for. Raises CursorUnknown.

    Cursors were plain numbers once; those go on working. 0 is where the feed begins now. Once a part of it is gone,
    a number of before tells nothing to a reader of one branch, who could count the events of the group by it.
    """
    if point.isascii() and point.isdigit() and len(point) <= 18:
        kept = forgotten()
        if int(point) == 0:
            return kept
        if kept and actor.where(IntegrationPermission.VIEW) is not ALL:
            raise _gone(kept)
        return int(point)
    if (position := cursors.position_in(point)) is not None:
        return position
    try:
        return feed_entry_get_for(actor, uuid.UUID(point)).position
    except (ValueError, NotFound) as error:
        raise CursorUnknown(
            f"{point[:60]!r} is no point of the feed.", field="after", allowed="a cursor you were given, or an event id"
        ) from error


def check_kept(position: int) -> None:
    """Raises CursorGone if what came after it is kept no more."""
    if position < (kept := forgotten()):
        raise _gone(kept)


def forgotten() -> int:
    return FeedHead.objects.values_list("forgotten", flat=True).first() or 0


def _gone(kept: int) -> CursorGone:
    return CursorGone(field="after", oldest=cursors.cursor_of(kept))


def _head() -> int:
    return FeedHead.objects.values_list("last", flat=True).first() or 0


def check_types(actor: Actor, wanted: Iterable[str], branch: Branch | None, *, field: str = "type") -> list[str]:
    """The types, if each is declared and the actor may read it, in the branch or (without one) at all."""
    types = sorted(set(wanted))
    for event_type in types:
        if event_type not in event_types.declared():
            raise EventTypeUnknown(
                f"{event_type} is not declared.", field=field, allowed=sorted(event_types.declared())
            )
        permission = event_types.NEEDED.get(event_types.area_of(event_type))
        if permission is None or not actor.may(permission, branch.id if branch else None):
            raise Forbidden(f"Reading {event_type} needs the permission {permission}.", permission=str(permission))
    return types


def branch_codes(entries: Iterable[FeedEntry]) -> Mapping[uuid.UUID | None, str]:
    ids = {entry.branch_id for entry in entries if entry.branch_id}
    return {branch.id: branch.code for branch in Branch.objects.filter(id__in=ids)}


def cloud_events(entries: list[FeedEntry]) -> list[dict[str, Any]]:
    codes = branch_codes(entries)
    return [telling.cloud_event(entry, codes.get(entry.branch_id)) for entry in entries]


def endpoints_visible_to(actor: Actor) -> BranchQuerySet[WebhookEndpoint]:
    return WebhookEndpoint.objects.visible_to(actor, IntegrationPermission.VIEW)


def deliveries_visible_to(actor: Actor) -> BranchQuerySet[WebhookDelivery]:
    """With their attempts. The list of them is made of three queries however long it is."""
    attempts = Prefetch("attempts", WebhookAttempt.objects.order_by("number"))
    rows = WebhookDelivery.objects.visible_to(actor, IntegrationPermission.VIEW)
    return rows.select_related("entry", "endpoint").prefetch_related(attempts)
