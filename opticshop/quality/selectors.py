"""Reads of inspections and handovers, limited to the branches in which the actor may see them."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from decimal import Decimal

from django.db.models import Prefetch

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.workshop.models import Job

from .models import DraftReading, Handover, Inspection, InspectionDraft, PairReturn, Photograph, SupervisedStage
from .permissions import QualityPermission
from .repeating import Summary, summarised


def inspections_visible_to(actor: Actor) -> BranchQuerySet[Inspection]:
    found = Inspection.objects.visible_to(actor, QualityPermission.VIEW)
    return found.select_related("job", "inspected_by", "second_by").prefetch_related(
        "used_instruments__instrument", "photographs__taken_by"
    )


def inspection_get_for(actor: Actor, inspection_id: uuid.UUID) -> Inspection:
    """The inspection, if the actor may see it; otherwise NotFound, whatever the reason."""
    found = inspections_visible_to(actor).filter(id=inspection_id).first()
    if found is None:
        raise NotFound(f"There is no inspection {inspection_id} here.", field="inspection")
    return found


def drafts_visible_to(actor: Actor) -> BranchQuerySet[InspectionDraft]:
    found = InspectionDraft.objects.visible_to(actor, QualityPermission.VIEW)
    readings = DraftReading.objects.select_related("instrument", "read_by")
    return found.select_related("branch", "job", "opened_by").prefetch_related(
        Prefetch("readings", readings), "photographs__taken_by"
    )


def draft_get_for(actor: Actor, draft_id: uuid.UUID) -> InspectionDraft:
    """The inspection under way, if the actor may see it; otherwise NotFound, whatever the reason."""
    found = drafts_visible_to(actor).filter(id=draft_id).first()
    if found is None:
        raise NotFound(f"There is no inspection under way {draft_id} here.", field="draft")
    return found


def draft_summary(readings: Iterable[DraftReading]) -> Summary:
    """Means and spreads of the readings that were not struck."""
    return summarised(
        (each.subject, {name: Decimal(value) for name, value in each.values.items()})
        for each in readings
        if not each.struck_reason
    )


def supervisions_visible_to(actor: Actor) -> BranchQuerySet[SupervisedStage]:
    found = SupervisedStage.objects.visible_to(actor, QualityPermission.VIEW)
    return found.select_related("order", "supervised_by", "recorded_by")


def returns_visible_to(actor: Actor) -> BranchQuerySet[PairReturn]:
    found = PairReturn.objects.visible_to(actor, QualityPermission.VIEW)
    return found.select_related("order", "job", "refund", "reported_by", "decided_by")


def branches_watched_by(actor: Actor, branch_id: uuid.UUID | None = None) -> list[Branch]:
    """The branches whose figures the actor may see, with what their calendars need; one of them where asked."""
    if branch_id is not None:
        branch_get_for(actor, branch_id, permission=QualityPermission.FIGURES)
    where = actor.where(QualityPermission.FIGURES)
    branches = Branch.objects.all() if where is ALL else Branch.objects.filter(id__in=where)
    if branch_id is not None:
        branches = branches.filter(id=branch_id)
    return list(branches.prefetch_related("opening_hours", "closures").order_by("code"))


def photographs_visible_to(actor: Actor) -> BranchQuerySet[Photograph]:
    return Photograph.objects.visible_to(actor, QualityPermission.VIEW).select_related("taken_by")


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
