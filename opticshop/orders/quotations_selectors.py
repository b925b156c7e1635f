"""Reads of quotations, limited to the branches in which the actor may see orders."""

from __future__ import annotations

import uuid

from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from .permissions import OrderPermission
from .quotations_models import Quotation


def quotations_visible_to(actor: Actor, permission: str = OrderPermission.VIEW) -> BranchQuerySet[Quotation]:
    """With what the output shape needs."""
    return Quotation.objects.visible_to(actor, permission).select_related("branch", "order").prefetch_related("lines")


def quotation_get_for(actor: Actor, quotation_id: uuid.UUID, *, permission: str = OrderPermission.VIEW) -> Quotation:
    """Raises NotFound, whatever the reason."""
    found = quotations_visible_to(actor, permission).filter(id=quotation_id).first()
    if found is None:
        raise NotFound(f"There is no quotation {quotation_id} here.", field="quotation")
    return found
