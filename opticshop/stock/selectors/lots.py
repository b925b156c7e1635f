"""Lots and movements, limited to the actor's branches; items, and how many pieces may be promised."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from decimal import Decimal

from django.db.models import F, Sum
from django.db.models.functions import Coalesce

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from ..models import Expected, Lot, Movement, StockItem, StockLevel
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
