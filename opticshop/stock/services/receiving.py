"""Goods in: items made on first use, and pieces taken into lots."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.locks import busy_answers
from opticshop.core.money import minor_unit, rounded

from .. import events
from ..ledger import post
from ..models import Lot, Movement, StockItem
from ..permissions import StockPermission
from ..powers import stocked_power
from .problems import CostNotPayable, LotCostDiffers, LotQuarantineDiffers, check_quantity


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
    quarantine_reason: str = "",
) -> Lot:
    """Take pieces in under a lot code; a further delivery of the same lot adds to it, at the same cost.

    With a ``quarantine_reason`` the pieces are counted but kept apart: nothing of the lot is available. Raises
    LotCostDiffers or LotQuarantineDiffers when the code is that of a lot which is not like this delivery.
    """
    actor.require(StockPermission.RECEIVE, branch.id)
    check_quantity(quantity)
    with transaction.atomic():
        lot = lot_ensure(
            actor=actor,
            branch=branch,
            item=item,
            code=lot_code,
            unit_cost=unit_cost,
            quarantine_reason=quarantine_reason.strip(),
        )
        post(actor=actor, lot=lot, kind=Movement.Kind.RECEIPT, on_hand_change=quantity, document=document)
    return lot


def lot_ensure(
    *, actor: Actor, branch: Branch, item: StockItem, code: str, unit_cost: Decimal, quarantine_reason: str = ""
) -> Lot:
    """The lot of an item at a branch under a code, made empty on first use; for use cases that fill it.

    Raises CostNotPayable, LotCostDiffers, LotQuarantineDiffers, Busy.
    """
    if unit_cost < 0 or rounded(unit_cost, branch.currency) != unit_cost:
        raise CostNotPayable(
            f"{unit_cost} {branch.currency} is no cost.",
            field="unit_cost",
            allowed=f"0 or more in steps of {minor_unit(branch.currency)}",
        )
    first = {
        "unit_cost": unit_cost,
        "is_quarantined": bool(quarantine_reason),
        "quarantine_reason": quarantine_reason,
    }
    with busy_answers():
        lot, made = Lot.objects.everywhere("by key, for a use case that checked its actor").get_or_create(
            branch=branch, item=item, code=code, defaults=first
        )
    if lot.unit_cost != unit_cost:
        raise LotCostDiffers(
            f"Lot {code} was received at {lot.unit_cost}; give this delivery a lot code of its own.",
            field="unit_cost",
            allowed=str(lot.unit_cost),
        )
    if lot.is_quarantined != bool(quarantine_reason):
        raise LotQuarantineDiffers(
            f"Lot {code} is {'in' if lot.is_quarantined else 'not in'} quarantine; give these pieces another lot code.",
            field="lot_code",
        )
    if made and quarantine_reason:
        record_quarantine(actor, lot, promised_to=[])
    return lot


def record_quarantine(actor: Actor, lot: Lot, promised_to: list[str]) -> None:
    outbox.record(
        event_type=events.STOCK_QUARANTINED,
        subject=f"stock/{lot.id}",
        actor=actor,
        branch_id=lot.branch_id,
        data={"lot": str(lot.id), "item": str(lot.item_id), "promised_to": promised_to},
    )


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
