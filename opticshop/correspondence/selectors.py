"""Reads of messages, limited to the branches in which the actor may see them."""

from __future__ import annotations

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet

from .models import Message
from .permissions import CorrespondencePermission


def messages_visible_to(actor: Actor) -> BranchQuerySet[Message]:
    return Message.objects.visible_to(actor, CorrespondencePermission.VIEW)
