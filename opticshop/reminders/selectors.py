"""Reads of recalls, limited to the branches in which the actor may see them."""

from __future__ import annotations

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet

from .models import Recall
from .permissions import ReminderPermission


def recalls_visible_to(actor: Actor) -> BranchQuerySet[Recall]:
    return Recall.objects.visible_to(actor, ReminderPermission.VIEW).select_related("customer")
