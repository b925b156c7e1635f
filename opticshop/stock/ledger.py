"""The one way a balance changes: a line in the ledger and the balance it leads to, together or not at all.

Two tills cannot promise the same piece. The balance is changed by one conditional UPDATE whose WHERE clause holds
only while the lot can bear the change; the database tries it on the newest row, whoever came first. And two tills do
not block each other: a use case that moves several pieces first holds all lots of its items, in one order for all.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable

from django.db import connection, transaction

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.locks import busy_answers

from . import events
from .ledger_rows import hold_by_key, hold_of_items, move
from .models import Lot, Movement, Reservation

_EVENTS = {
    Movement.Kind.RECEIPT: events.STOCK_RECEIVED,
    Movement.Kind.RESERVATION: events.STOCK_RESERVED,
    Movement.Kind.RELEASE: events.STOCK_RELEASED,
    Movement.Kind.CONSUMPTION: events.STOCK_CONSUMED,
    Movement.Kind.WRITE_OFF: events.STOCK_WRITTEN_OFF,
    Movement.Kind.TRANSFER_OUT: events.STOCK_TRANSFERRED_OUT,
    Movement.Kind.TRANSFER_IN: events.STOCK_TRANSFERRED_IN,
    Movement.Kind.TRANSFER_LOSS: events.STOCK_LOST_IN_TRANSIT,
    Movement.Kind.COUNT_ADJUSTMENT: events.STOCK_COUNT_ADJUSTED,
    Movement.Kind.SUPPLIER_RETURN: events.STOCK_RETURNED_TO_SUPPLIER,
    Movement.Kind.CUSTOMER_RETURN: events.STOCK_RETURNED_BY_CUSTOMER,
}
#: A lot in quarantine bears none of these: nothing of it is promised or sent on.
_NOT_FROM_QUARANTINE = {Movement.Kind.RESERVATION, Movement.Kind.TRANSFER_OUT}


def hold_lots(branch: Branch, item_ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, list[Lot]]:
    """The lots of each item at the branch that hold anything, oldest first, held until the transaction ends.

    All lots of an item are held, not only the one that will be used: whoever moves the same item again in this
    transaction then waits for nobody. Raises Busy when somebody else holds one too long.
    """
    held: dict[uuid.UUID, list[Lot]] = {}
    with busy_answers():
        lots = hold_of_items(branch.id, item_ids)
    for lot in lots:
        held.setdefault(lot.item_id, []).append(lot)
    return held


def hold_these(lot_ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, Lot]:
    """Lots by key, held until the transaction ends; for a use case that moves lots it already knows. Raises Busy."""
    with busy_answers():
        return {lot.id: lot for lot in hold_by_key(lot_ids)}


def post(
    *,
    actor: Actor,
    lot: Lot,
    kind: Movement.Kind,
    on_hand_change: int = 0,
    reserved_change: int = 0,
    in_transit_change: int = 0,
    document: str,
    reason: str = "",
    part: str = "",
    promise: Reservation | None = None,
) -> Movement | None:
    """Move pieces of a lot: its new line of the ledger, or None when the lot cannot bear the change.

    A lot bears a change that leaves 0 <= reserved <= on hand and 0 <= in transit; in quarantine it bears no new promise
    and no sending. A ``promise`` that the line makes is written with it. ``lot`` is brought up to date. Until the
    transaction ends, the lot is held: whoever wants it next waits and then sees what is left. Raises Busy when the wait
    is long.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("stock moves inside the transaction of its use case")
    movement = Movement(
        branch_id=lot.branch_id,
        lot=lot,
        kind=kind,
        on_hand_change=on_hand_change,
        reserved_change=reserved_change,
        in_transit_change=in_transit_change,
        unit_cost=lot.unit_cost,
        document=document,
        reason=reason,
        by_id=actor.id,
        by_label=actor.label,
    )
    with busy_answers():
        moved = move(movement, even_quarantined=kind not in _NOT_FROM_QUARANTINE, promise=promise)
    if not moved:
        return None
    lot.on_hand, lot.reserved, lot.in_transit, lot.lines = (
        movement.on_hand_after,
        movement.reserved_after,
        movement.in_transit_after,
        movement.line,
    )
    outbox.record(
        event_type=_EVENTS[kind],
        subject=f"stock/{lot.id}",
        actor=actor,
        branch_id=lot.branch_id,
        data={
            "lot": str(lot.id),
            "item": str(lot.item_id),
            "quantity": max(abs(on_hand_change), abs(reserved_change), abs(in_transit_change)),
            "document": document,
            **({"part": part} if part else {}),
        },
    )
    return movement
