"""Reads of traces, limited to the branches in which the actor may see the workshop."""

from __future__ import annotations

import uuid

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet

from ..models import Job
from ..permissions import WorkshopPermission
from .models import FrameTrace


def traces_visible_to(actor: Actor, job_id: uuid.UUID) -> BranchQuerySet[FrameTrace]:
    """The traces taken for a job, newest first by key, without their files."""
    found = FrameTrace.objects.visible_to(actor, WorkshopPermission.VIEW).filter(job_id=job_id)
    return found.select_related("traced_by", "frame").defer("content")


def trace_in_use(job: Job) -> FrameTrace | None:
    """The latest trace of the order's frame, taken for this or a former attempt. ``job`` is one the caller may see."""
    found = FrameTrace.objects.everywhere("of a job the caller may see").filter(
        job__order_id=job.order_id, frame_id=job.order.frame_id
    )
    return found.select_related("traced_by").defer("content").order_by("-id").first()
