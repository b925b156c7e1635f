"""Reads of orders, always limited to the branches in which the actor may see them."""

from __future__ import annotations

import uuid

from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from .models import Order
from .permissions import OrderPermission


def orders_visible_to(actor: Actor, permission: str = OrderPermission.VIEW) -> BranchQuerySet[Order]:
    """With what the output shape needs: lenses with their products, price lines, branch, frame."""
    return (
        Order.objects.visible_to(actor, permission)
        .select_related("branch", "frame")
        .prefetch_related("lenses__product", "lines")
    )


def order_get_for(actor: Actor, order_id: uuid.UUID, *, permission: str = OrderPermission.VIEW) -> Order:
    """The order, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = orders_visible_to(actor, permission).select_related("customer", "prescription").filter(id=order_id).first()
    if found is None:
        raise NotFound(f"There is no order {order_id} here.", field="order")
    return found
