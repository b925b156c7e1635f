"""Goods in: items made on first use, and pieces taken into lots."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.money import minor_unit, rounded

from ..ledger import post
from ..models import Lot, Movement, StockItem
from ..permissions import StockPermission
from ..powers import stocked_power
from .problems import CostNotPayable, LotCostDiffers, check_quantity


def frame_item_ensure(frame: Frame) -> StockItem:
    """The item under which a frame is counted, made on first use."""
    return StockItem.objects.get_or_create(frame=frame, defaults={"kind": StockItem.Kind.FRAME})[0]


def lens_item_ensure(product: LensProduct, sphere_dpt: Decimal, cylinder_dpt: Decimal) -> StockItem:
    """The item of a lens in a power given in any cylinder form, made on first use.

    Raises NotAStockLens, or PowerNotStocked outside the product's range or off its step.
    """
    sphere, cylinder = stocked_power(product, sphere_dpt, cylinder_dpt)
    return StockItem.objects.get_or_create(
        kind=StockItem.Kind.LENS, lens=product, sphere_dpt=sphere, cylinder_dpt=cylinder
    )[0]


def goods_receive(
    *,
    actor: Actor,
    branch: Branch,
    item: StockItem,
    lot_code: str,
    quantity: int,
    unit_cost: Decimal,
    document: str,
) -> Lot:
    """Take pieces in under a lot code; a further delivery of the same lot adds to it, at the same cost."""
    actor.require(StockPermission.RECEIVE, branch.id)
    check_quantity(quantity)
    if unit_cost < 0 or rounded(unit_cost, branch.currency) != unit_cost:
        raise CostNotPayable(
            f"{unit_cost} {branch.currency} is no cost.",
            field="unit_cost",
            allowed=f"0 or more in steps of {minor_unit(branch.currency)}",
        )
    with transaction.atomic():
        lot, _ = Lot.objects.everywhere("by key, permission checked above").get_or_create(
            branch=branch, item=item, code=lot_code, defaults={"unit_cost": unit_cost}
        )
        if lot.unit_cost != unit_cost:
            raise LotCostDiffers(
                f"Lot {lot_code} was received at {lot.unit_cost}; give this delivery a lot code of its own.",
                field="unit_cost",
                allowed=str(lot.unit_cost),
            )
        post(actor=actor, lot=lot, kind=Movement.Kind.RECEIPT, on_hand_change=quantity, document=document)
    return lot


def frame_receive(*, actor: Actor, branch: Branch, frame: Frame, **delivery: Any) -> Lot:
    """Take frames in; ``delivery`` is what goods_receive asks for besides the item."""
    actor.require(StockPermission.RECEIVE, branch.id)
    with transaction.atomic():
        return goods_receive(actor=actor, branch=branch, item=frame_item_ensure(frame), **delivery)


def lens_receive(
    *,
    actor: Actor,
    branch: Branch,
    product: LensProduct,
    sphere_dpt: Decimal,
    cylinder_dpt: Decimal,
    **delivery: Any,
) -> Lot:
    """Take lenses of one power, given in any cylinder form, in; ``delivery`` as for frames."""
    actor.require(StockPermission.RECEIVE, branch.id)
    with transaction.atomic():
        item = lens_item_ensure(product, sphere_dpt, cylinder_dpt)
        return goods_receive(actor=actor, branch=branch, item=item, **delivery)
