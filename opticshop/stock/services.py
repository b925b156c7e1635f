"""Writes of stock: goods in, promises to documents and how they end, and what is written off.

Reserving, releasing, consuming and writing off a promised piece belong to the use case of the caller (an order, a
job): it has checked its actor and its transaction is joined. Receiving and writing off loose pieces stand alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.money import minor_unit, rounded
from opticshop.core.scoping import BranchQuerySet

from .ledger import hold_lots, post
from .models import Lot, Movement, Reservation, StockItem
from .permissions import StockPermission
from .powers import stocked_power


class OutOfStock(Conflict):
    """No unpromised piece of what is wanted lies in the branch. ``missing`` names every part that is short."""

    code = "stock.out_of_stock"
    title = "Not enough is in stock here"


class AlreadyReserved(Conflict):
    """The document already holds a piece for this part."""

    code = "stock.already_reserved"
    title = "A piece is already reserved for this part"


class NothingReserved(Conflict):
    """The document holds no piece for this part."""

    code = "stock.nothing_reserved"
    title = "Nothing is reserved for this part"


class NotEnoughAvailable(Conflict):
    """More pieces were to be written off than lie unpromised in the lot."""

    code = "stock.not_enough_available"
    title = "The lot does not hold so many unpromised pieces"


class LotCostDiffers(Conflict):
    """One lot has one cost; a delivery at another cost is another lot."""

    code = "stock.lot_cost_differs"
    title = "The lot was received at another cost"


class QuantityWrong(Invalid):
    """Pieces are counted in whole numbers from one."""

    code = "stock.quantity_wrong"
    title = "A quantity is a whole number of pieces, at least one"


class CostNotPayable(Invalid):
    """The cost is negative or has more decimals than the branch's currency."""

    code = "stock.cost_not_payable"
    title = "Nobody can pay this cost"


class ReasonMissing(Invalid):
    """What is written off is written off for a reason, in words."""

    code = "stock.reason_missing"
    title = "Say why the pieces are written off"


class BalanceDisagrees(Conflict):
    """A promised piece is not in the balance of its lot. Nothing was written; ``manage.py stock_verify`` says more."""

    code = "stock.balance_disagrees"
    title = "The balance of the lot and its reservations disagree"


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
    _check_quantity(quantity)
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


def stock_reserve(*, actor: Actor, branch: Branch, item: StockItem, document: str, part: str) -> Reservation:
    """Promise one piece to a part of a document. Raises OutOfStock or AlreadyReserved."""
    return stock_reserve_many(actor=actor, branch=branch, document=document, wanted={part: item})[part]


def stock_reserve_many(
    *, actor: Actor, branch: Branch, document: str, wanted: Mapping[str, StockItem]
) -> dict[str, Reservation]:
    """Promise one piece to each part of a document, or none at all.

    The oldest lot goes first. All lots wanted are held before the first is touched, so two orders that want the same
    things wait for each other in turn. Raises OutOfStock naming every missing part, AlreadyReserved, or Busy.
    """
    reserved: dict[str, Reservation] = {}
    try:
        with transaction.atomic():
            lots = hold_lots(branch, (item.id for item in wanted.values()))
            for part, item in wanted.items():
                reservation = _reserve_oldest(actor, lots.get(item.id, []), document, part)
                if reservation is not None:
                    reserved[part] = reservation
            missing = [part for part in wanted if part not in reserved]
            if missing:
                raise OutOfStock(
                    f"{branch.code} has no unpromised piece for: {', '.join(missing)}.",
                    field=missing[0],
                    missing=[{"part": part, "item": str(wanted[part].id)} for part in missing],
                )
    except IntegrityError as error:
        parts = sorted(_active(document).filter(part__in=wanted).values_list("part", flat=True))
        if not parts:
            raise
        raise AlreadyReserved(f"{document} already holds a piece for: {', '.join(parts)}.", field=parts[0]) from error
    return reserved


def stock_release(*, actor: Actor, branch: Branch, document: str, reason: str, part: str | None = None) -> int:
    """Give promised pieces back to the drawer; returns how many. None is no error: there is nothing to give back."""
    state, kind = Reservation.State.RELEASED, Movement.Kind.RELEASE
    return _settle(actor, branch, document, part, state=state, kind=kind, leaves=0, reason=reason)


def stock_consume(*, actor: Actor, branch: Branch, document: str, part: str | None = None) -> int:
    """Take promised pieces out of stock for good; returns how many."""
    state, kind = Reservation.State.CONSUMED, Movement.Kind.CONSUMPTION
    return _settle(actor, branch, document, part, state=state, kind=kind, leaves=1, reason="")


def stock_write_off(*, actor: Actor, branch: Branch, document: str, part: str, reason: str) -> None:
    """Write off the promised piece of a part (broken, scratched). Raises NothingReserved or ReasonMissing."""
    _check_reason(reason)
    state, kind = Reservation.State.WRITTEN_OFF, Movement.Kind.WRITE_OFF
    if not _settle(actor, branch, document, part, state=state, kind=kind, leaves=1, reason=reason):
        raise NothingReserved(f"{document} holds no piece for {part}.", field="part")


def lot_write_off(*, actor: Actor, lot: Lot, quantity: int, reason: str) -> Movement:
    """Write off unpromised pieces of a lot. Raises NotEnoughAvailable, QuantityWrong or ReasonMissing."""
    actor.require(StockPermission.WRITE_OFF, lot.branch_id)
    _check_quantity(quantity)
    _check_reason(reason)
    with transaction.atomic():
        movement = post(
            actor=actor,
            lot=lot,
            kind=Movement.Kind.WRITE_OFF,
            on_hand_change=-quantity,
            document=f"stock/{lot.id}",
            reason=reason.strip(),
        )
        if movement is None:
            lot.refresh_from_db(fields=["on_hand", "reserved", "lines"])
            raise NotEnoughAvailable(
                f"Lot {lot.code} holds {lot.on_hand - lot.reserved} unpromised pieces, not {quantity}.",
                field="quantity",
                allowed=lot.on_hand - lot.reserved,
            )
    return movement


def _reserve_oldest(actor: Actor, lots: list[Lot], document: str, part: str) -> Reservation | None:
    """A piece of the first lot that has one; None when no lot has."""
    kind = Movement.Kind.RESERVATION
    for lot in lots:
        if post(actor=actor, lot=lot, kind=kind, reserved_change=1, document=document, part=part):
            reservation = Reservation(branch_id=lot.branch_id, lot=lot, document=document, part=part)
            reservation.save(force_insert=True)
            return reservation
    return None


def _settle(
    actor: Actor,
    branch: Branch,
    document: str,
    part: str | None,
    *,
    state: Reservation.State,
    kind: Movement.Kind,
    leaves: int,
    reason: str,
) -> int:
    """End the active promises of a document (or of one part); each takes ``leaves`` pieces with it."""
    settled = 0
    with transaction.atomic():
        held = _active(document).filter(branch=branch).select_related("lot").order_by("lot_id", "id")
        if part is not None:
            held = held.filter(part=part)
        hold_lots(branch, (reservation.lot.item_id for reservation in held))
        for reservation in held:
            if not _active(document).filter(id=reservation.id).update(state=state):
                continue  # settled by somebody else since it was read
            moved = post(
                actor=actor,
                lot=reservation.lot,
                kind=kind,
                on_hand_change=-leaves,
                reserved_change=-1,
                document=document,
                reason=reason,
                part=reservation.part,
            )
            if moved is None:
                raise BalanceDisagrees(f"Lot {reservation.lot_id} does not hold the piece promised to {document}.")
            settled += 1
    return settled


def _active(document: str) -> BranchQuerySet[Reservation]:
    return Reservation.objects.everywhere("of the caller's own document").filter(
        document=document, state=Reservation.State.ACTIVE
    )


def _check_quantity(quantity: int) -> None:
    if quantity < 1:
        raise QuantityWrong(f"{quantity} is no quantity.", field="quantity", allowed="1 or more")


def _check_reason(reason: str) -> None:
    if not reason.strip():
        raise ReasonMissing(field="reason")
