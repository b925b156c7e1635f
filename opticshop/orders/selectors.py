"""Reads of orders, always limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.stock.models import Reservation

from .models import Order, OrderState
from .permissions import OrderPermission


def orders_visible_to(actor: Actor, permission: str = OrderPermission.VIEW) -> BranchQuerySet[Order]:
    """With what the output shape needs: lenses with their products, price lines, branch, frame."""
    return (
        Order.objects.visible_to(actor, permission)
        .select_related("branch", "frame")
        .prefetch_related("lenses__product", "lines", "replacements", "promises__made_by")
    )


def order_get_for(actor: Actor, order_id: uuid.UUID, *, permission: str = OrderPermission.VIEW) -> Order:
    """The order, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = orders_visible_to(actor, permission).select_related("customer", "prescription").filter(id=order_id).first()
    if found is None:
        raise NotFound(f"There is no order {order_id} here.", field="order")
    return found


#: An order in one of these is still to be made.
TO_BE_MADE = (OrderState.PLACED, OrderState.IN_WORKSHOP)


def is_late(order: Order, day: dt.date) -> bool:
    """Whether an order that is still to be made was promised for a day before this one."""
    return order.state in TO_BE_MADE and order.promised_on < day


def open_orders(branch: Branch) -> int:
    """How many pairs the workshop of a branch has still to make."""
    return Order.objects.everywhere("the load of a branch").filter(branch=branch, state__in=TO_BE_MADE).count()


def document_of(order: Order) -> str:
    """How stock movements and reservations name an order."""
    return f"orders/{order.id}"


def held_parts(order: Order) -> dict[str, Branch]:
    """Part (right, left or frame) -> branch in whose stock a piece is promised to the order now."""
    held = Reservation.objects.everywhere("of an order the caller may see").filter(
        document=document_of(order), state=Reservation.State.ACTIVE
    )
    return {row.part: row.branch for row in held.select_related("branch")}
