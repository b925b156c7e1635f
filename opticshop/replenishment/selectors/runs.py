"""Runs and their lines, limited to what the actor may see: a run is seen by whoever may see all of its branches."""

from __future__ import annotations

import uuid
from collections.abc import Iterable

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from opticshop.branches.models import Branch
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from ..models import ReplenishmentLine, ReplenishmentRun
from ..permissions import ReplenishmentPermission

VIEW = ReplenishmentPermission.VIEW


def runs_visible_to(actor: Actor, permission: str = VIEW) -> QuerySet[ReplenishmentRun]:
    runs = ReplenishmentRun.objects.prefetch_related(Prefetch("branches", Branch.objects.order_by("code")), "lenses")
    where = actor.where(permission)
    if where is ALL:
        return runs
    here = ReplenishmentRun.branches.through.objects.filter(replenishmentrun=OuterRef("pk"))
    return runs.filter(Exists(here.filter(branch__in=where))).exclude(Exists(here.exclude(branch__in=where)))


def run_get_for(actor: Actor, run_id: uuid.UUID, *, permission: str = VIEW) -> ReplenishmentRun:
    """The run, if the actor holds the permission in all of its branches; otherwise NotFound."""
    found = runs_visible_to(actor, permission).filter(id=run_id).first()
    if found is None:
        raise NotFound(f"There is no replenishment run {run_id} here.", field="run")
    return found


def lines_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[ReplenishmentLine]:
    """Lines of runs that the actor sees whole."""
    lines = ReplenishmentLine.objects.visible_to(actor, permission).select_related(
        "item__lens", "item__frame", "branch", "supplier", "transfer_from", "acceptance"
    )
    if actor.where(permission) is ALL:
        return lines
    return lines.filter(run__in=runs_visible_to(actor, permission).prefetch_related(None).values("pk"))


def lines_get_for(actor: Actor, run: ReplenishmentRun, line_ids: Iterable[uuid.UUID]) -> list[ReplenishmentLine]:
    """Lines of a run in the order of the ids; NotFound names the first that is not one of it."""
    ids = list(line_ids)
    lines = {line.id: line for line in lines_visible_to(actor).filter(run=run, id__in=ids)}
    for line_id in ids:
        if line_id not in lines:
            raise NotFound(f"There is no line {line_id} in this run.", field="lines")
    return [lines[line_id] for line_id in ids]
