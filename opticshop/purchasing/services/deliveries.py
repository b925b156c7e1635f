"""Goods in: a parcel is opened, its packets are scanned against what was ordered, and all of it is taken in at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Max, Sum

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.stock import services as stock
from opticshop.stock.models import Lot

from .. import codes, events
from ..judging import Judged, Reading, ReadingImpossible, judge_packet
from ..models import (
    PURCHASE_ORDER_MOVES,
    Delivery,
    DeliveryLine,
    DeliveryMatch,
    PurchaseLine,
    PurchaseOrder,
    PurchaseOrderState,
    Shortage,
    Supplier,
)
from ..permissions import PurchasingPermission
from ..selectors import documents as reads
from . import rows
from .packets import Packet, packet_of
from .purchase_orders import CostUnknown, check_cost, check_reason, document_of, item_sources

RECEIVE = PurchasingPermission.RECEIVE
MOST_PACKETS = 10_000


class DeliveryNoteTaken(Conflict):
    """A note of this supplier was opened at this branch before; a parcel is not taken in twice."""

    code = "purchasing.delivery_note_taken"
    title = "This delivery note was opened before"


class OrderNotAwaited(Invalid):
    """A delivery is matched with orders of its own branch and supplier that were sent and are not complete."""

    code = "purchasing.order_not_awaited"
    title = "This order awaits nothing from this delivery"


class NotOpen(Conflict):
    """The delivery was confirmed or discarded; open another one for what came later."""

    code = "purchasing.delivery_not_open"
    title = "The delivery is closed"


class NothingScanned(Conflict):
    """A delivery without a packet is discarded, not confirmed."""

    code = "purchasing.nothing_scanned"
    title = "Nothing was scanned"


class BeyondOrder(Conflict):
    """More came than was ordered. It is taken in only with a reason; otherwise it goes back in the parcel."""

    code = "purchasing.beyond_order"
    title = "More than was ordered"


class LineNotThere(Invalid):
    """The delivery has no line with this number."""

    code = "purchasing.line_not_there"
    title = "There is no such line"


class QuantityScannedWrong(Invalid):
    """Packets are counted in whole numbers from one; a reading is of one packet."""

    code = "purchasing.quantity_scanned_wrong"
    title = "The number of packets cannot be right"


@dataclass(frozen=True, slots=True)
class Scan:
    """One scan: the code, how many packets of it, and what a person adds.

    ``unit_cost`` is that of one piece in the branch's currency; None takes it from the order or the price list.
    """

    code: str
    quantity: int = 1
    lot_code: str = ""
    power: tuple[Decimal, Decimal] | None = None
    unit_cost: Decimal | None = None
    over_reason: str = ""
    reading: Reading | None = None


@dataclass(slots=True)
class _Tally:
    received: int = 0
    over: int = 0
    short: int = 0
    quarantined: int = 0
    touched: dict[Any, PurchaseOrder] = field(default_factory=dict)


def delivery_open(
    *,
    actor: Actor,
    branch: Branch,
    supplier: Supplier,
    delivery_note: str = "",
    purchase_orders: Sequence[PurchaseOrder] = (),
) -> Delivery:
    """Begin to unpack a parcel, matched with the orders named or with all open ones of the supplier."""
    actor.require(RECEIVE, branch.id)
    for place, order in enumerate(purchase_orders):
        if (order.branch_id, order.supplier_id) != (branch.id, supplier.id) or (
            order.state not in reads.OPEN_PURCHASE_ORDERS
        ):
            raise OrderNotAwaited(
                f"Purchase order {order.number} is {order.state} at {order.supplier}.",
                field=f"purchase_orders/{place}",
                allowed="sent or part received orders of this branch and supplier",
            )
    with transaction.atomic():
        delivery = Delivery(
            branch=branch, supplier=supplier, delivery_note=delivery_note.strip(), opened_by_id=actor.id
        )
        delivery.number = number_next(branch=branch, kind=Series.DELIVERY)
        try:
            with transaction.atomic():
                delivery.save(force_insert=True)
        except IntegrityError as error:
            raise DeliveryNoteTaken(
                f"Note {delivery.delivery_note} of {supplier} was opened before.", field="delivery_note"
            ) from error
        delivery.purchase_orders.set(purchase_orders)
        _record(events.DELIVERY_OPENED, delivery, actor)
    return delivery


def delivery_scan(*, actor: Actor, delivery: Delivery, scan: Scan) -> DeliveryLine:
    """Add a packet; the same packet again adds to its line. Nothing is in stock before the delivery is confirmed.

    A packet whose reading is out of tolerance is kept apart: it fills no order and will never lie on the shelf. Raises
    BeyondOrder with what is still awaited, and what the code, the packet and the cost refuse.
    """
    actor.require(RECEIVE, delivery.branch_id)
    _check_scan(scan)
    with transaction.atomic():
        delivery = _open(delivery)
        packet = packet_of(delivery, codes.scanned(scan.code), lot_code=scan.lot_code.strip(), power=scan.power)
        pieces = packet.pieces * scan.quantity
        awaited = [line for line in _awaited(delivery) if line.item_id == packet.item.id]
        judged = _judged(delivery, packet, scan.reading)
        cost = _cost(delivery, packet, scan, awaited)
        if judged is None or not judged.failed:
            _check_awaited(delivery, packet, pieces, awaited, scan.over_reason)
        line = _line(actor, delivery, packet, pieces, cost, scan, judged)
        rows.write(delivery)
        _record(
            events.DELIVERY_SCANNED,
            delivery,
            actor,
            line=line.position,
            item=line.item_id,
            quantity=pieces,
            outcome=line.outcome,
        )
    return line


def delivery_line_remove(*, actor: Actor, delivery: Delivery, position: int) -> None:
    """Take a line out of an open delivery: it was scanned by mistake, or goes back in the parcel."""
    actor.require(RECEIVE, delivery.branch_id)
    with transaction.atomic():
        delivery = _open(delivery)
        _numbered(delivery, position).delete()
        rows.write(delivery)
        _record(events.DELIVERY_LINE_REMOVED, delivery, actor, line=position)


def over_delivery_accept(*, actor: Actor, delivery: Delivery, position: int, reason: str) -> DeliveryLine:
    """Say why pieces of a line that no order asked for are kept all the same."""
    actor.require(RECEIVE, delivery.branch_id)
    check_reason(reason)
    with transaction.atomic():
        delivery = _open(delivery)
        line = _numbered(delivery, position)
        line.over_reason = reason.strip()
        line.save(update_fields=["over_reason"])
        rows.write(delivery)
        _record(events.OVER_DELIVERY_ACCEPTED, delivery, actor, line=position, reason=line.over_reason)
    return line


def delivery_confirm(*, actor: Actor, delivery: Delivery, version: int | None = None) -> Delivery:
    """Take everything scanned into stock, fill the orders, keep apart what failed, and note what is short or over.

    All or nothing. Raises BeyondOrder when another parcel filled an order since the scan, and what stock refuses.
    """
    actor.require(RECEIVE, delivery.branch_id)
    with transaction.atomic():
        delivery = _open(delivery, version)
        named = list(delivery.purchase_orders.values_list("id", flat=True))
        held = lock_rows(_orders(delivery, named))
        lines = list(delivery.lines.select_related("item__frame", "item__lens").order_by("item_id", "position"))
        if not lines:
            raise NothingScanned(allowed=["scan", "discard"])
        awaited = list(_awaited(delivery))
        tally = _Tally()
        for line in lines:
            if line.outcome == DeliveryLine.Outcome.FAIL:
                _quarantine(actor, delivery, line)
                tally.quarantined += line.quantity
            else:
                _take_in(actor, delivery, line, [one for one in awaited if one.item_id == line.item_id], tally)
        orders = {order.id: order for order in held}
        _note_shortages(delivery, awaited, set(named) | set(tally.touched), tally)
        for order_id in tally.touched:
            _follow(actor, orders[order_id])
        rows.write(delivery, state=Delivery.State.CONFIRMED, confirmed_at=clock.now())
        _record(
            events.DELIVERY_CONFIRMED,
            delivery,
            actor,
            received=tally.received,
            over=tally.over,
            short=tally.short,
            quarantined=tally.quarantined,
        )
    return delivery


def delivery_discard(*, actor: Actor, delivery: Delivery, reason: str) -> Delivery:
    """Close a delivery of which nothing is taken in."""
    actor.require(RECEIVE, delivery.branch_id)
    check_reason(reason)
    with transaction.atomic():
        delivery = _open(delivery)
        rows.write(delivery, state=Delivery.State.DISCARDED, discarded_reason=reason.strip())
        _record(events.DELIVERY_DISCARDED, delivery, actor, reason=reason.strip())
    return delivery


def _check_scan(scan: Scan) -> None:
    if not 1 <= scan.quantity <= MOST_PACKETS:
        raise QuantityScannedWrong(f"{scan.quantity} packets.", field="quantity", allowed=f"1 to {MOST_PACKETS}")
    if scan.reading is not None and scan.quantity != 1:
        raise QuantityScannedWrong(
            "A reading is of one packet; scan packets that were read one by one.", field="quantity", allowed=1
        )


def _open(delivery: Delivery, version: int | None = None) -> Delivery:
    held = rows.locked(delivery, "branch", "supplier", version=version)
    if held.state != Delivery.State.OPEN:
        raise NotOpen(f"Delivery {held.number} was {held.state}.", field="state", allowed=["open"])
    return held


def _numbered(delivery: Delivery, position: int) -> DeliveryLine:
    line = delivery.lines.filter(position=position).first()
    if line is None:
        known = list(delivery.lines.values_list("position", flat=True))
        raise LineNotThere(f"Delivery {delivery.number} has no line {position}.", field="line", allowed=known)
    return line


def _awaited(delivery: Delivery) -> Any:
    named = list(delivery.purchase_orders.values_list("id", flat=True))
    return reads.lines_awaited(delivery, named=named)


def _orders(delivery: Delivery, named: list[Any]) -> Any:
    orders = PurchaseOrder.objects.everywhere("of the branch of a held delivery").filter(
        branch_id=delivery.branch_id, supplier_id=delivery.supplier_id, state__in=reads.OPEN_PURCHASE_ORDERS
    )
    return orders.filter(id__in=named) if named else orders


def _judged(delivery: Delivery, packet: Packet, reading: Reading | None) -> Judged | None:
    if reading is None:
        return None
    item = packet.item
    if item.lens is None or item.sphere_dpt is None or item.cylinder_dpt is None:
        raise ReadingImpossible("A frame has no power.", field="reading", allowed="no reading")
    return judge_packet(
        branch=delivery.branch,
        product=item.lens,
        sphere_dpt=item.sphere_dpt,
        cylinder_dpt=item.cylinder_dpt,
        reading=reading,
    )


def _cost(delivery: Delivery, packet: Packet, scan: Scan, awaited: list[PurchaseLine]) -> Decimal:
    """Of one piece, in the branch's currency: as given, else as ordered, else by the price list, else of the lot."""
    currency = delivery.branch.currency
    lots = Lot.objects.everywhere("of the branch of a held delivery").filter(
        branch_id=delivery.branch_id, item=packet.item, code=packet.lot_code
    )
    kept = lots.values_list("unit_cost", flat=True).first()
    if kept is None:
        same = delivery.lines.filter(item=packet.item, lot_code=packet.lot_code)
        kept = same.values_list("unit_cost", flat=True).first()
    cost = scan.unit_cost
    if cost is None and awaited and awaited[0].purchase_order.currency == currency:
        cost = awaited[0].unit_cost
    if cost is None:
        article = packet.item.frame or packet.item.lens
        assert article is not None
        power = None if packet.item.sphere_dpt is None else (packet.item.sphere_dpt, packet.item.cylinder_dpt)
        source = item_sources(delivery.supplier, [(packet.item, article, power)], delivery.branch).get(packet.item.id)  # type: ignore[list-item]
        if source is not None and source.price is not None and source.price.currency == currency:
            cost = source.price.unit_cost
    if cost is None:
        cost = kept
    if cost is None:
        raise CostUnknown(
            f"No cost in {currency} is known for {packet.item}.", field="unit_cost", allowed=f"of one piece, {currency}"
        )
    check_cost(cost, currency)
    if kept is not None and kept != cost:
        raise stock.LotCostDiffers(
            f"Lot {packet.lot_code} was received at {kept}; give these packets a lot code of their own.",
            field="unit_cost",
            allowed=str(kept),
        )
    return cost


def _check_awaited(delivery: Delivery, packet: Packet, pieces: int, awaited: list[PurchaseLine], reason: str) -> None:
    counted = delivery.lines.filter(item=packet.item).exclude(outcome=DeliveryLine.Outcome.FAIL)
    before = counted.aggregate(pieces=Sum("quantity"))["pieces"] or 0
    left = max(sum(line.outstanding for line in awaited) - before, 0)
    if pieces > left and not reason.strip():
        raise _beyond(packet.item, pieces, left)


def _beyond(item: Any, pieces: int, left: int, line: int | None = None) -> BeyondOrder:
    return BeyondOrder(
        f"{pieces} pieces of {item} came; {left} are still awaited.",
        field="quantity",
        allowed={"quantity": left, "or": "over_reason"},
        line=line,
    )


def _line(
    actor: Actor,
    delivery: Delivery,
    packet: Packet,
    pieces: int,
    cost: Decimal,
    scan: Scan,
    judged: Judged | None,
) -> DeliveryLine:
    """The line with the packet: a further unread packet of the same lot adds to the line it has."""
    reason = scan.over_reason.strip()
    if judged is None:
        same = delivery.lines.filter(
            item=packet.item,
            lot_code=packet.lot_code,
            gtin=packet.gtin,
            outcome=DeliveryLine.Outcome.UNREAD,
        ).first()
        if same is not None:
            same.quantity += pieces
            same.over_reason = reason or same.over_reason
            same.save(update_fields=["quantity", "over_reason"])
            return same
    last = delivery.lines.aggregate(last=Max("position"))["last"] or 0
    line = DeliveryLine(
        delivery=delivery,
        position=last + 1,
        item=packet.item,
        gtin=packet.gtin,
        lot_code=packet.lot_code,
        quantity=pieces,
        unit_cost=cost,
        over_reason=reason,
        scanned_by_id=actor.id,
        **({} if judged is None or scan.reading is None else judged.columns(scan.reading)),
    )
    line.save(force_insert=True)
    return line


def _take_in(actor: Actor, delivery: Delivery, line: DeliveryLine, awaited: list[PurchaseLine], tally: _Tally) -> None:
    left = line.quantity
    matches = []
    for wanted in awaited:
        pieces = min(left, wanted.outstanding)
        if not pieces:
            continue
        left -= pieces
        wanted.received += pieces
        wanted.save(update_fields=["received"])
        matches.append(DeliveryMatch(delivery_line=line, purchase_line=wanted, quantity=pieces))
        tally.touched[wanted.purchase_order_id] = wanted.purchase_order
    if left and not line.over_reason:
        raise _beyond(line.item, line.quantity, line.quantity - left, line.position)
    DeliveryMatch.objects.bulk_create(matches)
    line.over = left
    line.lot = stock.goods_receive(
        actor=actor,
        branch=delivery.branch,
        item=line.item,
        lot_code=line.lot_code,
        quantity=line.quantity,
        unit_cost=line.unit_cost,
        document=_document(delivery),
    )
    line.save(update_fields=["over", "lot"])
    if line.quantity - left:
        stock.expected_change(
            actor=actor,
            branch=delivery.branch,
            item=line.item,
            delta=left - line.quantity,
            document=_document(delivery),
        )
    tally.received += line.quantity
    tally.over += left


def _quarantine(actor: Actor, delivery: Delivery, line: DeliveryLine) -> None:
    """What read wrong is counted in a lot of its own in quarantine: it fills no order and nobody can be promised it."""
    verdict: dict[str, Any] = line.verdict or {}
    failed = [part for part in verdict.get("lines", []) if part.get("outcome") == "fail"]
    said = " ".join(str(part["reason"]) for part in failed)
    line.lot = stock.goods_receive(
        actor=actor,
        branch=delivery.branch,
        item=line.item,
        lot_code=f"Q {delivery.number}/{line.position}",
        quantity=line.quantity,
        unit_cost=line.unit_cost,
        document=_document(delivery),
        quarantine_reason=f"Lot {line.lot_code} out of tolerance by {line.standard}. {said}"[:200],
    )
    line.save(update_fields=["lot"])


def _note_shortages(delivery: Delivery, awaited: list[PurchaseLine], orders: set[Any], tally: _Tally) -> None:
    short = [line for line in awaited if line.purchase_order_id in orders and line.outstanding]
    tally.short = sum(line.outstanding for line in short)
    Shortage.objects.bulk_create(
        Shortage(delivery=delivery, purchase_line=line, missing=line.outstanding) for line in short
    )


def _follow(actor: Actor, order: PurchaseOrder) -> None:
    """Move an order on after pieces of it came."""
    open_lines = any(line.outstanding for line in order.lines.all())
    state = PurchaseOrderState.PART_RECEIVED if open_lines else PurchaseOrderState.RECEIVED
    rows.move(order, PURCHASE_ORDER_MOVES, state, of=f"Purchase order {order.number}")
    rows.record(
        events.PURCHASE_ORDER_RECEIVED,
        document_of(order),
        actor,
        order.branch_id,
        purchase_order=order.id,
        number=order.number,
        supplier=order.supplier_id,
        state=str(state),
    )


def _document(delivery: Delivery) -> str:
    return f"deliveries/{delivery.id}"


def _record(event_type: str, delivery: Delivery, actor: Actor, **more: Any) -> None:
    rows.record(
        event_type,
        _document(delivery),
        actor,
        delivery.branch_id,
        delivery=delivery.id,
        number=delivery.number,
        supplier=delivery.supplier_id,
        **more,
    )
