"""Pieces sent back to a supplier under its authorisation, and the credit that comes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.stock import services as stock
from opticshop.stock.models import Lot

from .. import events
from ..models import (
    RETURN_MOVES,
    DeliveryLine,
    LensOrder,
    ReturnState,
    Supplier,
    SupplierReturn,
    SupplierReturnLine,
)
from ..permissions import PurchasingPermission
from . import rows
from .purchase_orders import check_cost, check_reason

ORDER = PurchasingPermission.ORDER
MOST_LINES = 200


class NothingReturned(Invalid):
    """A return has at least one line, and each sends back at least one piece for a reason."""

    code = "purchasing.nothing_returned"
    title = "There is nothing to send back"


class NotReturnable(Conflict):
    """The pieces are of another branch or supplier, are promised to orders, or are named twice."""

    code = "purchasing.not_returnable"
    title = "These pieces cannot be sent back"


class AuthorisationMissing(Invalid):
    """A supplier takes nothing back without the number it gave for the return."""

    code = "purchasing.authorisation_missing"
    title = "The return has no authorisation number"


class CreditImpossible(Invalid):
    """The credit is negative, more than was claimed, or has more decimals than its currency has coins."""

    code = "purchasing.credit_impossible"
    title = "The credit cannot be right"


@dataclass(frozen=True, slots=True)
class ReturnedPieces:
    """Unpromised pieces of a lot, in quarantine or not, and why they go back."""

    lot: Lot
    quantity: int
    reason: str


def return_draft(
    *,
    actor: Actor,
    branch: Branch,
    supplier: Supplier,
    pieces: Sequence[ReturnedPieces],
    authorisation_number: str = "",
) -> SupplierReturn:
    """Put together what is to go back; nothing leaves the shelf until it is sent."""
    actor.require(ORDER, branch.id)
    if not 1 <= len(pieces) <= MOST_LINES:
        raise NothingReturned(f"{len(pieces)} lines.", field="lines", allowed=f"1 to {MOST_LINES} lines")
    _check_lots(branch, supplier, pieces)
    with transaction.atomic():
        found = SupplierReturn(
            branch=branch,
            supplier=supplier,
            currency=branch.currency,
            authorisation_number=authorisation_number.strip(),
            drafted_by_id=actor.id,
        )
        lines = [
            SupplierReturnLine(
                supplier_return=found,
                position=place,
                lot=each.lot,
                quantity=each.quantity,
                unit_cost=each.lot.unit_cost,
                reason=each.reason.strip(),
            )
            for place, each in enumerate(pieces, start=1)
        ]
        found.claimed = sum((line.unit_cost * line.quantity for line in lines), Decimal(0))
        found.number = number_next(branch=branch, kind=Series.SUPPLIER_RETURN)
        found.save(force_insert=True)
        SupplierReturnLine.objects.bulk_create(lines)
        _record(events.RETURN_DRAFTED, found, actor)
    return found


def return_send(*, actor: Actor, supplier_return: SupplierReturn, authorisation_number: str = "") -> SupplierReturn:
    """The parcel leaves: its pieces leave the stock with it.

    Raises AuthorisationMissing, or NotEnoughAvailable when pieces were promised since.
    """
    actor.require(ORDER, supplier_return.branch_id)
    with transaction.atomic():
        held = rows.locked(supplier_return, "branch", "supplier")
        number = authorisation_number.strip() or held.authorisation_number
        if not number:
            raise AuthorisationMissing(field="authorisation_number", allowed="the number given by the supplier")
        _move(held, ReturnState.SENT, sent_at=clock.now(), authorisation_number=number)
        lines = list(held.lines.select_related("lot").order_by("lot_id"))
        for line in lines:
            stock.stock_return_to_supplier(
                actor=actor, lot=line.lot, quantity=line.quantity, document=_document(held), reason=line.reason
            )
        _record(events.RETURN_SENT, held, actor, pieces=sum(line.quantity for line in lines))
    return held


def return_acknowledge(*, actor: Actor, supplier_return: SupplierReturn) -> SupplierReturn:
    """The supplier has the pieces; its credit is awaited."""
    actor.require(ORDER, supplier_return.branch_id)
    with transaction.atomic():
        held = rows.locked(supplier_return, "branch", "supplier")
        _move(held, ReturnState.CREDIT_PENDING)
        _record(events.RETURN_ACKNOWLEDGED, held, actor)
    return held


def return_credit(
    *, actor: Actor, supplier_return: SupplierReturn, amount: Decimal, credit_note: str
) -> SupplierReturn:
    """The supplier credits an amount, up to what the pieces cost, under the number of its note."""
    actor.require(ORDER, supplier_return.branch_id)
    with transaction.atomic():
        held = rows.locked(supplier_return, "branch", "supplier")
        check_cost(amount, held.currency, "amount")
        if amount > held.claimed:
            raise CreditImpossible(
                f"The pieces cost {held.claimed} {held.currency}.", field="amount", allowed=f"up to {held.claimed}"
            )
        _move(
            held,
            ReturnState.CREDITED,
            credited_amount=amount,
            credit_note=credit_note.strip(),
            settled_at=clock.now(),
        )
        _record(events.RETURN_CREDITED, held, actor, amount=str(amount))
    return held


def return_reject(*, actor: Actor, supplier_return: SupplierReturn, reason: str) -> SupplierReturn:
    """The supplier gives no credit. Pieces it sends back come in by a delivery, like any others."""
    return _end(actor, supplier_return, ReturnState.REJECTED, events.RETURN_REJECTED, reason)


def return_cancel(*, actor: Actor, supplier_return: SupplierReturn, reason: str) -> SupplierReturn:
    """Give up a draft; its pieces stay where they are."""
    return _end(actor, supplier_return, ReturnState.CANCELLED, events.RETURN_CANCELLED, reason)


def _end(actor: Actor, supplier_return: SupplierReturn, state: ReturnState, event: str, reason: str) -> SupplierReturn:
    actor.require(ORDER, supplier_return.branch_id)
    check_reason(reason)
    with transaction.atomic():
        held = rows.locked(supplier_return, "branch", "supplier")
        _move(held, state, ended_reason=reason.strip(), settled_at=clock.now())
        _record(event, held, actor, reason=reason.strip())
    return held


def _check_lots(branch: Branch, supplier: Supplier, pieces: Sequence[ReturnedPieces]) -> None:
    """Each lot once, of this branch, with so many unpromised pieces, and from this supplier where that is known."""
    lots = [each.lot for each in pieces]
    came_from: dict[Any, Any] = dict(
        DeliveryLine.objects.filter(lot__in=lots).values_list("lot_id", "delivery__supplier_id")
    )
    special = LensOrder.objects.everywhere("of lots that were shown").filter(lot__in=lots)
    came_from |= dict(special.values_list("lot_id", "supplier_id"))
    for place, each in enumerate(pieces):
        lot, at = each.lot, f"lines/{place}"
        check_reason(each.reason, f"{at}/reason")
        if lot.branch_id != branch.id:
            raise NotReturnable("The lot lies in another branch.", field=f"{at}/lot")
        if lot in lots[:place]:
            raise NotReturnable("The same lot stands on two lines.", field=f"{at}/lot")
        if came_from.get(lot.id, supplier.id) != supplier.id:
            raise NotReturnable(f"Lot {lot.code} came from another supplier.", field=f"{at}/lot")
        if each.quantity < 1:
            raise NothingReturned(f"{each.quantity} pieces.", field=f"{at}/quantity", allowed="1 or more")
        free = lot.on_hand - lot.reserved
        if each.quantity > free:
            raise NotReturnable(f"Lot {lot.code} holds {free} unpromised pieces.", field=f"{at}/quantity", allowed=free)


def _move(held: SupplierReturn, state: ReturnState, **values: Any) -> None:
    rows.move(held, RETURN_MOVES, state, of=f"Supplier return {held.number}", **values)


def _document(held: SupplierReturn) -> str:
    return f"supplier-returns/{held.id}"


def _record(event_type: str, held: SupplierReturn, actor: Actor, **more: Any) -> None:
    rows.record(
        event_type,
        _document(held),
        actor,
        held.branch_id,
        supplier_return=held.id,
        number=held.number,
        supplier=held.supplier_id,
        **more,
    )
