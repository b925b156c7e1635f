from __future__ import annotations

import uuid

from django.db.models import QuerySet

from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound

from .models import ReportRun


def runs_visible_to(actor: Actor) -> QuerySet[ReportRun]:
    """The actor's own runs, without their files."""
    return ReportRun.objects.filter(asked_by=actor.id).defer("content").prefetch_related("branches")


def run_get_for(actor: Actor, run_id: uuid.UUID) -> ReportRun:
    found = runs_visible_to(actor).filter(id=run_id).first()
    if found is None:
        raise NotFound(f"There is no report run {run_id} here.")
    return found
