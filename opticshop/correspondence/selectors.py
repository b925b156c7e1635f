"""Reads of messages and of what they are sent by, limited to the branches in which the actor may see them."""

from __future__ import annotations

from django.db.models import Q, QuerySet

from opticshop.core.actor import ALL, Actor
from opticshop.core.scoping import BranchQuerySet

from .models import ChannelChoice, LetterBatch, Message, MessageTemplate, Reply
from .permissions import CorrespondencePermission

VIEW = CorrespondencePermission.VIEW


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
