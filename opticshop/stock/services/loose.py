"""Pieces that nobody was promised: written off, sent back to the supplier, kept apart in quarantine."""

from __future__ import annotations

from dataclasses import dataclass

from django.db import transaction

from opticshop.core import outbox
from opticshop.core.actor import Actor

from .. import events
from ..ledger import hold_these, post
from ..models import Lot, Movement, Reservation
from ..permissions import StockPermission
from .problems import AlreadyQuarantined, NotEnoughAvailable, NotQuarantined, check_quantity, check_reason
from .receiving import record_quarantine


def lot_write_off(*, actor: Actor, lot: Lot, quantity: int, reason: str) -> Movement:
    """Write off unpromised pieces of a lot. Raises NotEnoughAvailable, QuantityWrong or ReasonMissing."""
    actor.require(StockPermission.WRITE_OFF, lot.branch_id)
    return _take_loose(actor, lot, Movement.Kind.WRITE_OFF, quantity, f"stock/{lot.id}", reason)


def stock_return_to_supplier(*, actor: Actor, lot: Lot, quantity: int, document: str, reason: str) -> Movement:
    """Send unpromised pieces of a lot, in quarantine or not, back to the supplier.

    Belongs to the use case of the caller, which has checked its actor. Raises NotEnoughAvailable, QuantityWrong or
    ReasonMissing.
    """
    return _take_loose(actor, lot, Movement.Kind.SUPPLIER_RETURN, quantity, document, reason)


def _take_loose(actor: Actor, lot: Lot, kind: Movement.Kind, quantity: int, document: str, reason: str) -> Movement:
    check_quantity(quantity)
    check_reason(reason)
    with transaction.atomic():
        movement = post(
            actor=actor, lot=lot, kind=kind, on_hand_change=-quantity, document=document, reason=reason.strip()
        )
        if movement is None:
            lot.refresh_from_db(fields=["on_hand", "reserved", "lines"])
            raise NotEnoughAvailable(
                f"Lot {lot.code} holds {lot.on_hand - lot.reserved} unpromised pieces, not {quantity}.",
                field="quantity",
                allowed=lot.on_hand - lot.reserved,
            )
    return movement


@dataclass(frozen=True, slots=True)
class Quarantined:
    lot: Lot
    #: The documents that were promised pieces of the lot before; they still hold them.
    promised_to: list[str]


def lot_quarantine(*, actor: Actor, lot: Lot, reason: str) -> Quarantined:
    """Keep a lot apart: nothing more of it is promised or sent. Says who was promised pieces of it before.

    Those promises are not broken: the workshop decides, piece by piece, whether it writes one off and takes another.
    Raises AlreadyQuarantined or ReasonMissing.
    """
    actor.require(StockPermission.QUARANTINE, lot.branch_id)
    check_reason(reason)
    with transaction.atomic():
        lot = hold_these([lot.id])[lot.id]
        if lot.is_quarantined:
            raise AlreadyQuarantined(f"Lot {lot.code} is in quarantine already: {lot.quarantine_reason}")
        lot.is_quarantined, lot.quarantine_reason = True, reason.strip()
        lot.save(update_fields=["is_quarantined", "quarantine_reason"])
        held = Reservation.objects.everywhere("of a lot of the actor's branch").filter(
            lot=lot, state=Reservation.State.ACTIVE
        )
        promised_to = sorted(set(held.values_list("document", flat=True)))
        record_quarantine(actor, lot, promised_to)
    return Quarantined(lot, promised_to)


def lot_quarantine_lift(*, actor: Actor, lot: Lot, reason: str) -> Lot:
    """Let a lot be used again, saying why it may. Raises NotQuarantined or ReasonMissing."""
    actor.require(StockPermission.LIFT_QUARANTINE, lot.branch_id)
    check_reason(reason)
    with transaction.atomic():
        lot = hold_these([lot.id])[lot.id]
        if not lot.is_quarantined:
            raise NotQuarantined(f"Lot {lot.code} is not in quarantine.")
        lot.is_quarantined, lot.quarantine_reason = False, ""
        lot.save(update_fields=["is_quarantined", "quarantine_reason"])
        outbox.record(
            event_type=events.STOCK_QUARANTINE_LIFTED,
            subject=f"stock/{lot.id}",
            actor=actor,
            branch_id=lot.branch_id,
            data={"lot": str(lot.id), "item": str(lot.item_id), "reason": reason.strip()},
        )
    return lot
