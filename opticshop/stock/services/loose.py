"""Pieces that nobody was promised: written off."""

from __future__ import annotations

from django.db import transaction

from opticshop.core.actor import Actor

from ..ledger import post
from ..models import Lot, Movement
from ..permissions import StockPermission
from .problems import NotEnoughAvailable, check_quantity, check_reason


def lot_write_off(*, actor: Actor, lot: Lot, quantity: int, reason: str) -> Movement:
    """Write off unpromised pieces of a lot. Raises NotEnoughAvailable, QuantityWrong or ReasonMissing."""
    actor.require(StockPermission.WRITE_OFF, lot.branch_id)
    check_quantity(quantity)
    check_reason(reason)
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
