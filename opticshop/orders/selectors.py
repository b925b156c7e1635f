"""Reads of orders, always limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db.models import Exists, OuterRef

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.merged import records_of, root_id
from opticshop.customers.models import Customer
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


#: How far back orders count for the price of the next one, and how many of them.
EARLIER_DAYS, EARLIER_MOST = 366, 20


def earlier_orders(customer: Customer, day: dt.date, *, besides: Order | None = None) -> list[Order]:
    """What the customer ordered last in any branch in the year before a day and what still stands, oldest first:
    neither called off, nor replaced, nor the one that is being replaced."""
    since = dt.datetime.combine(day - dt.timedelta(days=EARLIER_DAYS), dt.time(), tzinfo=dt.UTC)
    standing = Order.objects.everywhere("price rules count a customer's orders in every branch").filter(
        customer__in=records_of(root_id(customer)), placed_at__gte=since
    )
    replaced = Order.objects.everywhere("as above").filter(replaces=OuterRef("id")).exclude(state=OrderState.CANCELLED)
    found = standing.exclude(state=OrderState.CANCELLED).exclude(Exists(replaced))
    found = found if besides is None else found.exclude(id=besides.id)
    whole = found.select_related("branch").prefetch_related("lines", "lenses__product")
    return list(whole.order_by("-placed_at", "-id")[:EARLIER_MOST])[::-1]


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
