"""Lots and movements, limited to the actor's branches; items, and how many pieces may be promised."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from decimal import Decimal
from typing import Any

from django.db import models
from django.db.models import F, OuterRef, Subquery, Sum
from django.db.models.functions import Coalesce

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from ..models import Expected, Lot, Movement, StockItem, StockLevel, Transfer, TransferLine
from ..permissions import StockPermission
from ..powers import minus_form


def lots_visible_to(actor: Actor) -> BranchQuerySet[Lot]:
    return Lot.objects.visible_to(actor, StockPermission.VIEW).select_related("item__frame", "item__lens")


def lot_get_for(actor: Actor, lot_id: uuid.UUID, *, permission: str = StockPermission.VIEW) -> Lot:
    """The lot, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    visible = Lot.objects.visible_to(actor, permission)
    found = visible.select_related("branch", "item__frame", "item__lens").filter(id=lot_id).first()
    if found is None:
        raise NotFound(f"There is no lot {lot_id} here.", field="lot")
    return found


def movements_visible_to(actor: Actor) -> BranchQuerySet[Movement]:
    return Movement.objects.visible_to(actor, StockPermission.VIEW).select_related("lot")


def frame_item(frame: Frame) -> StockItem | None:
    return StockItem.objects.filter(frame=frame).first()


def lens_item(product: LensProduct, sphere_dpt: Decimal, cylinder_dpt: Decimal) -> StockItem | None:
    """The item of a power in any cylinder form; None when it was never in stock anywhere."""
    sphere, cylinder = minus_form(sphere_dpt, cylinder_dpt)
    return StockItem.objects.filter(lens=product, sphere_dpt=sphere, cylinder_dpt=cylinder).first()


def items_get(item_ids: Collection[uuid.UUID]) -> list[StockItem]:
    """Items by key, all of them. Raises NotFound naming one that is not there."""
    found = {item.id: item for item in StockItem.objects.filter(id__in=set(item_ids))}
    for item_id in item_ids:
        if item_id not in found:
            raise NotFound(f"There is no stock item {item_id} here.", field="items")
    return list(found.values())


def available(branch: Branch, item: StockItem) -> int:
    """Pieces of the item that lie in the branch, promised to nobody and not in quarantine."""
    lots = Lot.objects.everywhere("for the use case of this branch, checked there").filter(
        branch=branch, item=item, is_quarantined=False
    )
    return lots.aggregate(pieces=Coalesce(Sum(F("on_hand") - F("reserved")), 0))["pieces"]


def lots_of_item(actor: Actor, branch: Branch, item: StockItem | None) -> list[Lot]:
    """The lots of an item at a branch that hold anything, oldest first."""
    if item is None:
        return []
    return list(lots_visible_to(actor).filter(branch=branch, item=item, on_hand__gt=0).order_by("id"))


def levels_visible_to(actor: Actor) -> BranchQuerySet[StockLevel]:
    return StockLevel.objects.visible_to(actor, StockPermission.VIEW).select_related("item__frame", "item__lens")


def expected_visible_to(actor: Actor) -> BranchQuerySet[Expected]:
    """What is on order; items of which everything came are left out."""
    rows = Expected.objects.visible_to(actor, StockPermission.VIEW).filter(quantity__gt=0)
    return rows.select_related("item__frame", "item__lens")


def levels_to_order(branch: Branch) -> BranchQuerySet[Any]:
    """The levels of a branch at whose minimum it is time to order: no more is ``loose`` (available) and ``awaited``
    (on order, or sent here by other branches). One query; for alerts of a branch."""

    def summed(rows: models.QuerySet[Any], expression: Any) -> Any:
        sums = rows.order_by().annotate(sum=expression).values("sum")
        return Coalesce(Subquery(sums, output_field=models.IntegerField()), 0)

    here = {"branch": branch, "item": OuterRef("item")}
    lots = Lot.objects.everywhere("of a branch").filter(is_quarantined=False, **here).values("item")
    ordered = Expected.objects.everywhere("of a branch").filter(**here).values("item")
    coming = TransferLine.objects.everywhere("on its way to a branch").filter(
        transfer__receiver=branch,
        transfer__state__in=[Transfer.State.SENT, Transfer.State.PART_RECEIVED],
        item=OuterRef("item"),
    )
    left = Sum(F("quantity") - F("received") - F("lost") - F("returned"))
    levels: Any = StockLevel.objects.everywhere("alerts of a branch").filter(branch=branch, target__gt=0)
    counted = levels.annotate(
        loose=summed(lots, Sum(F("on_hand") - F("reserved"))),
        awaited=summed(ordered, Sum("quantity")) + summed(coming.values("item"), left),
    )
    low = counted.filter(minimum__gte=F("loose") + F("awaited"))
    return low.select_related("item__frame", "item__lens").order_by("id")
