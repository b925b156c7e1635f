"""Promises to documents and how they end.

These belong to the use case of the caller (an order, a job): it has checked its actor and its transaction is joined.
"""

from __future__ import annotations

from collections.abc import Mapping

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet

from ..ledger import hold_lots, post
from ..models import Lot, Movement, Reservation, StockItem
from ..permissions import StockPermission
from .problems import (
    AlreadyReserved,
    BalanceDisagrees,
    NothingReserved,
    NothingToReturn,
    OutOfStock,
    check_reason,
)


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
    check_reason(reason)
    state, kind = Reservation.State.WRITTEN_OFF, Movement.Kind.WRITE_OFF
    if not _settle(actor, branch, document, part, state=state, kind=kind, leaves=1, reason=reason):
        raise NothingReserved(f"{document} holds no piece for {part}.", field="part")


def stock_return_from_customer(*, actor: Actor, branch: Branch, document: str, part: str, reason: str) -> Lot:
    """Put a piece that the customer had back into the lot it came from, unused and fit to be sold again.

    Lenses that were cut are not: they are no stock. A piece comes back once. Raises NothingToReturn or ReasonMissing.
    """
    actor.require(StockPermission.RECEIVE, branch.id)
    check_reason(reason)
    with transaction.atomic():
        had = Reservation.objects.everywhere("of the caller's own document").filter(
            branch=branch, document=document, part=part, state=Reservation.State.CONSUMED
        )
        piece = had.select_related("lot").order_by("-id").first()
        if piece is None or not had.filter(id=piece.id).update(state=Reservation.State.RETURNED):
            raise NothingToReturn(f"{document} took no piece for {part} from this stock.", field="part")
        post(
            actor=actor,
            lot=piece.lot,
            kind=Movement.Kind.CUSTOMER_RETURN,
            on_hand_change=1,
            document=document,
            reason=reason.strip(),
            part=part,
        )
    return piece.lot


def _reserve_oldest(actor: Actor, lots: list[Lot], document: str, part: str) -> Reservation | None:
    """A piece of the first lot that has one; None when no lot has."""
    kind = Movement.Kind.RESERVATION
    for lot in lots:
        promise = Reservation(branch_id=lot.branch_id, lot=lot, document=document, part=part)
        if post(actor=actor, lot=lot, kind=kind, reserved_change=1, document=document, part=part, promise=promise):
            return promise
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
