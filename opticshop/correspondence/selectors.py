"""Reads of messages and of what they are sent by, limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from django.db.models import Count, Min, Q, QuerySet

from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.scoping import BranchQuerySet

from .models import ChannelChoice, LetterBatch, Message, MessageTemplate, Reply
from .permissions import CorrespondencePermission

VIEW = CorrespondencePermission.VIEW
#: Figures of what was done look back so far; of what waits they look at everything.
FIGURES_OF = dt.timedelta(days=1)


def messages_visible_to(actor: Actor) -> BranchQuerySet[Message]:
    return Message.objects.visible_to(actor, VIEW)


def channel_choices_visible_to(actor: Actor) -> BranchQuerySet[ChannelChoice]:
    return ChannelChoice.objects.visible_to(actor, VIEW).select_related("branch")


def templates_visible_to(actor: Actor) -> QuerySet[MessageTemplate]:
    """Those of the group, and those of the branches where the actor sees messages."""
    where = actor.where(VIEW)
    rows = MessageTemplate.objects.everywhere("the group's own are seen by everybody who sees messages")
    return (rows if where is ALL else rows.filter(Q(branch=None) | Q(branch__in=where))).select_related("branch")


def replies_visible_to(actor: Actor) -> BranchQuerySet[Reply]:
    return Reply.objects.visible_to(actor, VIEW)


def batches_visible_to(actor: Actor) -> BranchQuerySet[LetterBatch]:
    return LetterBatch.objects.visible_to(actor, VIEW).defer("document").select_related("branch")


@dataclass(frozen=True, slots=True)
class SendingFigure:
    """How many messages of one branch, channel and purpose are in one state. ``oldest_due_seconds``: of those that
    wait, how long ago the oldest was due (0 where it is not due yet).
    """

    branch: str
    channel: str
    purpose: str
    state: str
    count: int
    oldest_due_seconds: float


def sending_figures() -> list[SendingFigure]:
    """All that waits or is being sent; of the rest what was queued in the last day. Two statements, for the service's
    own figures: ids and counts only.
    """
    now = clock.now()
    rows = Message.objects.everywhere("figures of the whole service")
    waiting = rows.filter(state__in=[Message.State.QUEUED, Message.State.SENDING])
    others = rows.exclude(state__in=[Message.State.QUEUED, Message.State.SENDING]).filter(id__gte=_first_id(now))
    found = []
    for part in (waiting, others):
        for row in part.values("branch__code", "channel", "purpose", "state").annotate(
            n=Count("id"), due=Min("due_at")
        ):
            oldest = max(0.0, (now - row["due"]).total_seconds()) if row["state"] == Message.State.QUEUED else 0.0
            keys = row["branch__code"], row["channel"], row["purpose"], row["state"]
            found.append(SendingFigure(*keys, row["n"], oldest))
    return sorted(found, key=lambda one: (one.branch, one.channel, one.purpose, one.state))


def _first_id(now: dt.datetime) -> uuid.UUID:
    """The least UUIDv7 of the time looked back on (RFC 9562: 48 bits of milliseconds lead)."""
    return uuid.UUID(int=int((now - FIGURES_OF).timestamp() * 1000) << 80)
