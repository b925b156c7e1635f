"""Reads of purchase orders, deliveries, lens orders and returns, limited to the actor's branches."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.db.models import F, Q
from django.db.models.functions import Coalesce

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.orders.models import Order
from opticshop.orders.services import document_of
from opticshop.stock.models import Reservation

from ..models import (
    Delivery,
    LensOrder,
    LensOrderState,
    PurchaseLine,
    PurchaseOrder,
    PurchaseOrderState,
    SupplierReturn,
)
from ..permissions import PurchasingPermission

VIEW = PurchasingPermission.VIEW
#: States in which a purchase order still awaits pieces.
OPEN_PURCHASE_ORDERS = (PurchaseOrderState.SENT, PurchaseOrderState.PART_RECEIVED)
#: States in which a lens is on its way; with the draft, those in which a lens order is live.
AWAITED_LENSES = (LensOrderState.SENT, LensOrderState.CONFIRMED)
LIVE_LENSES = (LensOrderState.DRAFT, *AWAITED_LENSES)


def purchase_orders_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[PurchaseOrder]:
    """With what the output shape needs: branch, supplier and lines with their articles."""
    return (
        PurchaseOrder.objects.visible_to(actor, permission)
        .select_related("branch", "supplier")
        .prefetch_related("lines__item__frame", "lines__item__lens")
    )


def purchase_order_get_for(actor: Actor, order_id: uuid.UUID, *, permission: str = VIEW) -> PurchaseOrder:
    return _found(purchase_orders_visible_to(actor, permission), order_id, "purchase order", "purchase_order")


def deliveries_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[Delivery]:
    """With what the output shape needs: lines with articles, lots, matches; shortages."""
    return (
        Delivery.objects.visible_to(actor, permission)
        .select_related("branch", "supplier")
        .prefetch_related(
            "lines__item__frame",
            "lines__item__lens",
            "lines__matches__purchase_line__purchase_order",
            "shortages__purchase_line__purchase_order",
            "purchase_orders",
        )
    )


def delivery_get_for(actor: Actor, delivery_id: uuid.UUID, *, permission: str = VIEW) -> Delivery:
    return _found(deliveries_visible_to(actor, permission), delivery_id, "delivery", "delivery")


def lens_orders_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[LensOrder]:
    return LensOrder.objects.visible_to(actor, permission).select_related("branch", "supplier", "product", "order")


def lens_order_get_for(actor: Actor, lens_order_id: uuid.UUID, *, permission: str = VIEW) -> LensOrder:
    return _found(lens_orders_visible_to(actor, permission), lens_order_id, "lens order", "lens_order")


def returns_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[SupplierReturn]:
    return (
        SupplierReturn.objects.visible_to(actor, permission)
        .select_related("branch", "supplier")
        .prefetch_related("lines__lot__item__frame", "lines__lot__item__lens")
    )


def return_get_for(actor: Actor, return_id: uuid.UUID, *, permission: str = VIEW) -> SupplierReturn:
    return _found(returns_visible_to(actor, permission), return_id, "supplier return", "supplier_return")


def lines_awaited(delivery: Delivery, *, named: list[uuid.UUID]) -> BranchQuerySet[Any]:
    """The lines of open purchase orders that a delivery is matched with, oldest order first.

    ``named`` are the ids of the orders that the delivery is for; with none, all open ones of the supplier.
    """
    orders = PurchaseOrder.objects.everywhere("of the branch of a delivery that was shown").filter(
        branch_id=delivery.branch_id, supplier_id=delivery.supplier_id, state__in=OPEN_PURCHASE_ORDERS
    )
    if named:
        orders = orders.filter(id__in=named)
    lines: Any = PurchaseLine.objects.filter(purchase_order__in=orders)
    return lines.order_by("purchase_order_id", "position").select_related("purchase_order")


def lens_orders_late(actor: Actor, *, day: dt.date | None = None) -> BranchQuerySet[Any]:
    """Lenses that should be here: sent or confirmed, still wanted, and due before today in their branch.

    Due is the day the supplier confirmed, or the day by its lead time while it has confirmed none. The longest overdue
    come first.
    """
    return late(lens_orders_visible_to(actor), day=day).order_by("due_on", "id")


def late(lens_orders: BranchQuerySet[Any], *, day: dt.date | None = None) -> BranchQuerySet[Any]:
    """Those of the lens orders that are late (see ``lens_orders_late``), with ``due_on``."""
    due: Any = lens_orders.annotate(due_on=Coalesce("promised_on", "expected_on")).filter(
        state__in=AWAITED_LENSES, is_wanted=True
    )
    if day is not None:
        return due.filter(due_on__lt=day)
    days: dict[dt.date, list[str]] = {}
    for zone in Branch.objects.order_by().values_list("time_zone", flat=True).distinct():
        days.setdefault(clock.today(zone), []).append(zone)
    overdue = Q(pk__in=[])
    for today, zones in days.items():
        overdue |= Q(branch__time_zone__in=zones, due_on__lt=today)
    return due.filter(overdue)


def is_late(lens_order: LensOrder) -> bool:
    due = lens_order.promised_on or lens_order.expected_on
    return (
        lens_order.state in AWAITED_LENSES
        and lens_order.is_wanted
        and due is not None
        and due < clock.today(lens_order.branch.time_zone)
    )


def endangers_promise(lens_order: LensOrder) -> bool:
    """Whether a lens on its way is due no earlier than the day on which its pair is promised to the customer."""
    due = lens_order.promised_on or lens_order.expected_on
    awaited = lens_order.state in AWAITED_LENSES and lens_order.is_wanted
    return awaited and due is not None and due >= lens_order.order.promised_on


def endangering(lens_orders: BranchQuerySet[Any]) -> BranchQuerySet[Any]:
    """Those of the lens orders that endanger the promise of their pair (see ``endangers_promise``)."""
    due: Any = lens_orders.annotate(due_on=Coalesce("promised_on", "expected_on"))
    return due.filter(state__in=AWAITED_LENSES, is_wanted=True, due_on__gte=F("order__promised_on"))


def live_lens_orders(order: Order) -> dict[str, LensOrder]:
    """Eye -> the lens order that is drafted or on its way."""
    orders = LensOrder.objects.everywhere("of an order the caller may see").filter(order=order, state__in=LIVE_LENSES)
    return {lens_order.eye: lens_order for lens_order in orders}


def eyes_held(order: Order) -> set[str]:
    """The parts of an order for which a piece is promised in stock now."""
    held = Reservation.objects.everywhere("of an order the caller may see").filter(
        document=document_of(order), state=Reservation.State.ACTIVE
    )
    return set(held.values_list("part", flat=True))


def _found(rows: BranchQuerySet[Any], key: uuid.UUID, noun: str, field: str) -> Any:
    found = rows.filter(id=key).first()
    if found is None:
        raise NotFound(f"There is no {noun} {key} here.", field=field)
    return found
