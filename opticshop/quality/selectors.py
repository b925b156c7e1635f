"""Reads of inspections and handovers, limited to the branches in which the actor may see them."""

from __future__ import annotations

import uuid

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.workshop.models import Job

from .models import Handover, Inspection
from .permissions import QualityPermission


def inspections_visible_to(actor: Actor) -> BranchQuerySet[Inspection]:
    found = Inspection.objects.visible_to(actor, QualityPermission.VIEW)
    return found.select_related("job", "inspected_by")


def handovers_visible_to(actor: Actor) -> BranchQuerySet[Handover]:
    found = Handover.objects.visible_to(actor, QualityPermission.VIEW)
    return found.select_related("order", "supervised_by", "handed_over_by")


def latest_inspection(job: Job) -> Inspection | None:
    """The last inspection of a job the caller has been allowed to see."""
    inspections = Inspection.objects.everywhere("of a job the caller may see").filter(job=job)
    return inspections.order_by("-id").first()


def colleague_at(branch: Branch, user_id: uuid.UUID) -> User:
    """Somebody who holds a role at this very branch and may sign in. Raises NotFound."""
    found = User.objects.filter(id=user_id, is_active=True, memberships__branch=branch).distinct().first()
    if found is None:
        raise NotFound(f"Nobody with the id {user_id} works at this branch.", field="supervised_by")
    return found
