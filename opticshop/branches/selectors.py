from __future__ import annotations

import uuid

from django.db.models import QuerySet

from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound

from .models import Branch
from .permissions import BranchPermission


def branches_visible_to(actor: Actor) -> QuerySet[Branch]:
    where = actor.where(BranchPermission.VIEW)
    return Branch.objects.all() if where is ALL else Branch.objects.filter(id__in=where)


def branch_get_for(actor: Actor, branch_id: uuid.UUID, *, permission: str = BranchPermission.VIEW) -> Branch:
    """The branch, if the actor holds the permission there: NotFound where it works not at all, else Forbidden."""
    branch = Branch.objects.filter(id=branch_id).first()
    if branch is None:
        raise NotFound(f"There is no branch {branch_id} here.", field="branch")
    actor.require(permission, branch.id)
    return branch
