"""Pieces on their way between branches. What was sent stays in transit in the sender's lots until it arrives, is taken
back or is given up, so it is never in two places and never in none.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction
from django.db.models import F, Sum

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Forbidden, NotFound
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import events
from ..ledger import hold_lots, hold_these, post
from ..models import TRANSFER_MOVES, Lot, Movement, StockItem, Transfer, TransferLine
from ..permissions import StockPermission
from .problems import (
    BalanceDisagrees,
    BranchClosed,
    LotCostDiffers,
    LotQuarantineDiffers,
    MoreThanSent,
    NotEnoughToSend,
    NothingNamed,
    TransferAcrossCurrencies,
    TransferToItself,
    check_quantity,
    check_reason,
)
from .receiving import lot_ensure

_State = Transfer.State
Pieces = Mapping[uuid.UUID, int]  # line -> how many


def transfer_draft(
    *, actor: Actor, sender: Branch, receiver: Branch, wanted: Sequence[tuple[StockItem, int]], note: str = ""
) -> Transfer:
    """Write down what shall go from one branch to another; either branch may. Nothing is promised or moved yet.

    Raises TransferToItself, BranchClosed, TransferAcrossCurrencies, NothingNamed or QuantityWrong.
    """
    if not actor.may(StockPermission.TRANSFER, receiver.id):
        actor.require(StockPermission.TRANSFER, sender.id)
    if sender.id == receiver.id:
        raise TransferToItself(f"{sender.code} cannot send to itself.", field="receiver")
    for role, branch in (("sender", sender), ("receiver", receiver)):
        if not branch.is_active:
            raise BranchClosed(f"{branch.code} is closed.", field=role)
    if sender.currency != receiver.currency:
        raise TransferAcrossCurrencies(
            f"{sender.code} keeps its books in {sender.currency}, {receiver.code} in {receiver.currency}.",
            field="receiver",
        )
    if not wanted:
        raise NothingNamed("Name at least one item.", field="lines")
    pieces: dict[uuid.UUID, int] = {}
    for item, quantity in wanted:
        check_quantity(quantity)
        pieces[item.id] = pieces.get(item.id, 0) + quantity
    with transaction.atomic():
        transfer = Transfer(
            sender=sender,
            receiver=receiver,
            number=number_next(branch=sender, kind=Series.TRANSFER),
            note=note,
            drafted_by_label=actor.label,
        )
        transfer.save(force_insert=True)
        for item_id, quantity in pieces.items():
            TransferLine(transfer=transfer, item_id=item_id, quantity=quantity).save(force_insert=True)
        _record(events.TRANSFER_DRAFTED, transfer, actor, pieces=sum(pieces.values()))
    return transfer


def transfer_cancel(*, actor: Actor, transfer: Transfer, reason: str) -> Transfer:
    """Call a draft off. What was sent cannot be called off: it is taken back or given up."""
    if not actor.may(StockPermission.TRANSFER, transfer.receiver_id):
        _only_at(actor, StockPermission.TRANSFER, transfer.sender)
    check_reason(reason)
    with transaction.atomic():
        transfer = _held(transfer, wanted=_State.CANCELLED)
        _end(transfer, _State.CANCELLED, actor, reason=reason.strip())
    return transfer


def transfer_send(*, actor: Actor, transfer: Transfer) -> Transfer:
    """Send a draft off: its pieces leave the sender's hand, oldest lots first, all of them or none.

    Raises NotEnoughToSend naming every item that is short.
    """
    _only_at(actor, StockPermission.TRANSFER, transfer.sender)
    with transaction.atomic():
        transfer = _held(transfer, wanted=_State.SENT)
        lines = list(_lines(transfer).order_by("id"))
        lots = hold_lots(transfer.sender, (line.item_id for line in lines))
        short = []
        for line in lines:
            left = line.quantity
            for lot in lots.get(line.item_id, []):
                takes = 0 if lot.is_quarantined else min(left, lot.on_hand - lot.reserved)
                if takes:
                    _send_part(actor, transfer, line, lot, takes, is_first=left == line.quantity)
                    left -= takes
            if left:
                short.append({"item": str(line.item_id), "wanted": line.quantity, "available": line.quantity - left})
        if short:
            raise NotEnoughToSend(
                f"{transfer.sender.code} has too few unpromised pieces of {len(short)} item(s).",
                field="lines",
                missing=short,
            )
        transfer.state = _State.SENT
        transfer.sent_at, transfer.sent_by_label = clock.now(), actor.label
        transfer.save(update_fields=["state", "sent_at", "sent_by_label"])
        _record(events.TRANSFER_SENT, transfer, actor, pieces=sum(line.quantity for line in lines))
    return transfer


def _send_part(
    actor: Actor, transfer: Transfer, line: TransferLine, lot: Lot, quantity: int, *, is_first: bool
) -> None:
    """Take pieces of one lot; the drafted line becomes that of the first lot, further lots get lines of their own."""
    post(
        actor=actor,
        lot=lot,
        kind=Movement.Kind.TRANSFER_OUT,
        on_hand_change=-quantity,
        in_transit_change=quantity,
        document=document_of(transfer),
    )
    if is_first:
        _lines(transfer).filter(id=line.id).update(lot=lot, quantity=quantity)
    else:
        TransferLine(transfer=transfer, item_id=line.item_id, lot=lot, quantity=quantity).save(force_insert=True)


def transfer_receive(*, actor: Actor, transfer: Transfer, arrived: Pieces) -> Transfer:
    """Take in what arrived, line by line; what has not arrived stays in transit.

    The pieces lie in a lot of the same code and cost at the receiver; in quarantine if the sender's lot is by now.
    Raises MoreThanSent, NotFound for a line of another transfer, NothingNamed or QuantityWrong.
    """
    _only_at(actor, StockPermission.RECEIVE, transfer.receiver)
    with transaction.atomic():
        transfer = _held(transfer, wanted=_State.PART_RECEIVED)
        lines = _lines_named(transfer, arrived)
        into = {line.id: _lot_at_receiver(actor, transfer, line) for line in lines}
        held = hold_these([line.lot_id for line in lines if line.lot_id] + [lot.id for lot in into.values()])
        for line in lines:
            moved = {"actor": actor, "kind": Movement.Kind.TRANSFER_IN, "document": document_of(transfer)}
            _move(lot=_lot_of(line, held), in_transit_change=-arrived[line.id], **moved)
            _move(lot=held[into[line.id].id], on_hand_change=arrived[line.id], **moved)
            _lines(transfer).filter(id=line.id).update(received=F("received") + arrived[line.id])
        _record(events.TRANSFER_ARRIVED, transfer, actor, pieces=sum(arrived.values()))
        _settle(actor, transfer)
    return transfer


def transfer_take_back(*, actor: Actor, transfer: Transfer, returned: Pieces, reason: str) -> Transfer:
    """Pieces that came back to the sender, undelivered: they are on hand again in the lots they left."""
    _only_at(actor, StockPermission.TRANSFER, transfer.sender)
    return _end_part(actor, transfer, returned, reason, kind=Movement.Kind.TRANSFER_IN, column="returned")


def transfer_lose(*, actor: Actor, transfer: Transfer, lost: Pieces, reason: str) -> Transfer:
    """Give up pieces that were lost on the way; the sender's loss, since they were still its own."""
    _only_at(actor, StockPermission.WRITE_OFF, transfer.sender)
    return _end_part(actor, transfer, lost, reason, kind=Movement.Kind.TRANSFER_LOSS, column="lost")


def _end_part(
    actor: Actor, transfer: Transfer, pieces: Pieces, reason: str, *, kind: Movement.Kind, column: str
) -> Transfer:
    check_reason(reason)
    with transaction.atomic():
        transfer = _held(transfer, wanted=_State.CLOSED)
        lines = _lines_named(transfer, pieces)
        held = hold_these([line.lot_id for line in lines if line.lot_id])
        for line in lines:
            _move(
                actor=actor,
                lot=_lot_of(line, held),
                kind=kind,
                in_transit_change=-pieces[line.id],
                on_hand_change=pieces[line.id] if column == "returned" else 0,
                document=document_of(transfer),
                reason=reason.strip(),
            )
            _lines(transfer).filter(id=line.id).update(**{column: F(column) + pieces[line.id]})
        _settle(actor, transfer)
    return transfer


def document_of(transfer: Transfer) -> str:
    """How movements name a transfer."""
    return f"transfers/{transfer.id}"


def _only_at(actor: Actor, permission: str, branch: Branch) -> None:
    """Both branches see a transfer; what one may not do with it is forbidden, not unknown."""
    if not actor.may(permission, branch.id):
        raise Forbidden(f"This needs the permission {permission} at {branch.code}.", permission=str(permission))


def _held(transfer: Transfer, *, wanted: str) -> Transfer:
    """The transfer as it is now, held; refused unless it may move on to ``wanted``. Raises MoveNotAllowed."""
    rows = Transfer.objects.everywhere("the caller's transfer, by key").select_related("sender", "receiver")
    (held,) = lock_rows(rows.filter(id=transfer.id))
    check_move(TRANSFER_MOVES, held.state, wanted, of=f"Transfer {held.number}")
    return held


def _lines(transfer: Transfer) -> Any:
    return TransferLine.objects.everywhere("of the caller's transfer").filter(transfer=transfer)


def _lines_named(transfer: Transfer, pieces: Pieces) -> list[TransferLine]:
    """The lines that the caller names, each with no more pieces than are still in transit."""
    if not pieces:
        raise NothingNamed("Name at least one line.", field="lines")
    found = {line.id: line for line in _lines(transfer).filter(id__in=pieces).select_related("lot", "item")}
    for line_id, quantity in pieces.items():
        if line_id not in found:
            raise NotFound(f"Transfer {transfer.number} has no line {line_id}.", field="lines")
        check_quantity(quantity)
        left = in_transit_of(found[line_id])
        if quantity > left:
            raise MoreThanSent(
                f"Of line {line_id}, {left} pieces are in transit, not {quantity}.", field="lines", allowed=left
            )
    return sorted(found.values(), key=lambda line: (line.item_id, line.lot.code if line.lot else ""))


def in_transit_of(line: TransferLine) -> int:
    """Pieces of a line that were sent and are neither taken in nor back nor given up."""
    return 0 if line.lot_id is None else line.quantity - line.received - line.lost - line.returned


def _lot_of(line: TransferLine, held: Mapping[uuid.UUID, Lot]) -> Lot:
    assert line.lot_id is not None, "a line in transit has a lot"
    return held[line.lot_id]


def _lot_at_receiver(actor: Actor, transfer: Transfer, line: TransferLine) -> Lot:
    """The receiver's lot for the pieces of a line: of the same code, or of its own where that lot is unlike it."""
    lot = line.lot
    assert lot is not None, "a line in transit has a lot"
    like_it: dict[str, Any] = {
        "actor": actor,
        "branch": transfer.receiver,
        "item": line.item,
        "unit_cost": lot.unit_cost,
        "quarantine_reason": f"{transfer.sender.code}: {lot.quarantine_reason}"[:200] if lot.is_quarantined else "",
    }
    try:
        return lot_ensure(code=lot.code, **like_it)
    except (LotCostDiffers, LotQuarantineDiffers):
        own_code = f"{lot.code[:30]}~{line.id.hex[-8:]}{'Q' if lot.is_quarantined else ''}"
        return lot_ensure(code=own_code, **like_it)


def _move(*, lot: Lot, **line: Any) -> None:
    if post(lot=lot, **line) is None:
        raise BalanceDisagrees(f"Lot {lot.id} does not hold in transit what {line['document']} says.")


def _settle(actor: Actor, transfer: Transfer) -> None:
    """The state that follows from what became of the lines."""
    sums = _lines(transfer).aggregate(
        left=Sum(F("quantity") - F("received") - F("lost") - F("returned")),
        short=Sum(F("lost") + F("returned")),
        received=Sum("received"),
    )
    if sums["left"]:
        if sums["received"] and transfer.state != _State.PART_RECEIVED:
            transfer.state = _State.PART_RECEIVED
            transfer.save(update_fields=["state"])
    else:
        _end(transfer, _State.CLOSED if sums["short"] else _State.RECEIVED, actor)


def _end(transfer: Transfer, state: str, actor: Actor, **more: Any) -> None:
    transfer.state, transfer.ended_at = state, clock.now()
    transfer.save(update_fields=["state", "ended_at"])
    _record(events.TRANSFER_ENDED, transfer, actor, state=str(state), **more)


def _record(event_type: str, transfer: Transfer, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"stock/transfers/{transfer.id}",
        actor=actor,
        branch_id=transfer.sender_id,
        data={
            "transfer": str(transfer.id),
            "number": transfer.number,
            "sender": str(transfer.sender_id),
            "receiver": str(transfer.receiver_id),
            **more,
        },
    )
