"""Lenses made for one eye of one order: drafted when it is placed, followed to the bench, made again if wrong."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Max

from opticshop.branches.calendars import calendar_of
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move
from opticshop.orders.models import Order, OrderedLens, OrderState
from opticshop.orders.services import document_of as order_document
from opticshop.stock import services as stock
from opticshop.stock.ledger import post
from opticshop.stock.models import Lot, Movement, Reservation, StockItem

from .. import events
from ..judging import Reading, judge_special
from ..models import LENS_ORDER_MOVES, LensOrder, LensOrderState, Supplier
from ..permissions import PurchasingPermission
from ..selectors import documents as reads
from ..selectors.suppliers import sources_for
from . import rows
from .purchase_orders import CostUnknown, check_active, check_cost, check_reason

_EXACT = (
    "sphere_dpt",
    "cylinder_dpt",
    "axis_deg",
    "addition_dpt",
    "prism_in_dpt",
    "prism_up_dpt",
    "centration_distance_mm",
    "centration_height_mm",
)
#: An order that takes no lens any more. One that is made again after its collection is in the workshop.
_SUPPLIED = (OrderState.CANCELLED, OrderState.COLLECTED)


class SupplierMissing(Conflict):
    """No supplier of this lens is known; name one before the order is sent."""

    code = "purchasing.supplier_missing"
    title = "The lens order has no supplier"


class LensOrderSent(Conflict):
    """A lens order that was sent stays with its supplier; cancel it and another is drafted."""

    code = "purchasing.lens_order_sent"
    title = "The lens order was sent already"


class PromiseInThePast(Invalid):
    """A supplier promises today or a later day."""

    code = "purchasing.promise_in_the_past"
    title = "A promise cannot lie in the past"


class NotChecked(Invalid):
    """A special lens is read on the focimeter when it arrives, or somebody says why it was not."""

    code = "purchasing.not_checked"
    title = "The lens was not checked"


class ReportedAtTheBench(Conflict):
    """A lens that was received is with its job; it is reported lost or wrong there, and ordered again by that."""

    code = "purchasing.reported_at_the_bench"
    title = "Report the lens at the bench"


class LensStillHeld(Conflict):
    """The order still holds the piece that this one was to replace."""

    code = "purchasing.lens_still_held"
    title = "A lens for this eye is already there"


def lens_orders_ensure(
    *, actor: Actor, order: Order, eyes: Sequence[str] | None = None, reason: str = ""
) -> list[LensOrder]:
    """Draft a lens order for every special lens of an order that is neither there nor on its way.

    At the supplier preferred for the product, with exactly what the order computed; without a known supplier the draft
    waits for one. Doing it again drafts nothing. ``reason`` says why a lens is ordered another time.
    """
    actor.require(PurchasingPermission.ORDER, order.branch_id)
    return _ensure(actor, order, eyes, reason)


def lens_order_assign(
    *,
    actor: Actor,
    lens_order: LensOrder,
    version: int,
    supplier: Supplier | None = None,
    unit_cost: Decimal | None = None,
) -> LensOrder:
    """Choose another supplier or another cost for a draft; a supplier without a cost brings its price of today."""
    actor.require(PurchasingPermission.ORDER, lens_order.branch_id)
    with transaction.atomic():
        held = _held(lens_order, version)
        if held.state != LensOrderState.DRAFT:
            raise LensOrderSent(f"Lens order {held.number} is {held.state}.", field="state", allowed=["draft"])
        values: dict[str, Any] = {}
        if supplier is not None:
            check_active(supplier)
            price = _price(held, supplier)
            values = {
                "supplier": supplier,
                "currency": price.currency if price else supplier.currency,
                "unit_cost": price.unit_cost if price else None,
            }
        if unit_cost is not None:
            currency = values.get("currency", held.currency) or held.branch.currency
            check_cost(unit_cost, currency)
            values |= {"unit_cost": unit_cost, "currency": currency}
        rows.write(held, **values)
        _record(events.LENS_ORDER_ASSIGNED, held, actor, supplier=held.supplier_id)
    return held


def lens_order_send(*, actor: Actor, lens_order: LensOrder, version: int | None = None) -> LensOrder:
    """The order goes to the supplier. Raises SupplierMissing or CostUnknown."""
    actor.require(PurchasingPermission.ORDER, lens_order.branch_id)
    with transaction.atomic():
        held = _held(lens_order, version)
        if held.supplier is None:
            raise SupplierMissing(f"Nobody is known to make {held.product}.", field="supplier", allowed="a supplier")
        check_active(held.supplier)
        if held.unit_cost is None:
            raise CostUnknown(
                f"{held.supplier} has no price for {held.product} today.",
                field="unit_cost",
                allowed="the cost of one piece",
            )
        today = clock.today(held.branch.time_zone)
        _move(
            held,
            LensOrderState.SENT,
            sent_at=clock.now(),
            expected_on=calendar_of(held.branch).open_days_after(today, _lead_days(held, held.supplier)),
        )
        _record(
            events.LENS_ORDER_SENT,
            held,
            actor,
            supplier=held.supplier_id,
            expected_on=held.expected_on and held.expected_on.isoformat(),
        )
    return held


def lens_order_confirm(
    *, actor: Actor, lens_order: LensOrder, promised_on: dt.date, supplier_reference: str = ""
) -> LensOrder:
    """The supplier says when the lens will be here; it may say another day later."""
    actor.require(PurchasingPermission.ORDER, lens_order.branch_id)
    with transaction.atomic():
        held = _held(lens_order)
        if promised_on < clock.today(held.branch.time_zone):
            raise PromiseInThePast(f"{promised_on} has passed.", field="promised_on", allowed="today or later")
        values: dict[str, Any] = {"promised_on": promised_on}
        if supplier_reference:
            values["supplier_reference"] = supplier_reference
        _move(held, LensOrderState.CONFIRMED, **values)
        _record(events.LENS_ORDER_CONFIRMED, held, actor, promised_on=promised_on.isoformat())
    return held


def lens_order_receive(
    *,
    actor: Actor,
    lens_order: LensOrder,
    reading: Reading | None = None,
    unchecked_reason: str = "",
    lot_code: str = "",
    unit_cost: Decimal | None = None,
) -> LensOrder:
    """The lens is here: read on the focimeter, taken into stock and promised to its order and eye.

    Out of tolerance it is no error: the piece is kept apart, the lens order is faulty and another one is drafted.
    Raises NotChecked without a reading or a reason. ``unit_cost`` is in the branch's currency, where the supplier's
    is another.
    """
    actor.require(PurchasingPermission.RECEIVE, lens_order.branch_id)
    if reading is None and not unchecked_reason.strip():
        raise NotChecked(field="reading", allowed="a reading, or unchecked_reason")
    with transaction.atomic():
        held = _held(lens_order)
        _check(held, LensOrderState.RECEIVED)
        judged = None if reading is None else judge_special(lens_order=held, reading=reading)
        kept: dict[str, Any] = {"unchecked_reason": unchecked_reason.strip()}
        if judged is not None and reading is not None:
            kept = judged.columns(reading)
        lot_code = (lot_code.strip() or held.number)[:40]
        if judged is not None and judged.failed:
            _came_wrong(actor, held, judged.why, _cost(held, unit_cost), **kept)
            return held
        lot = _take_in(actor, held, lot_code, _cost(held, unit_cost))
        _move(
            held,
            LensOrderState.RECEIVED,
            received_at=clock.now(),
            received_by_id=actor.id,
            lot=lot,
            is_wanted=held.is_wanted,
            **kept,
        )
        _record(events.SPECIAL_LENS_RECEIVED, held, actor, lot=lot.id, reserved=held.is_wanted)
    return held


def lens_order_fault(*, actor: Actor, lens_order: LensOrder, reason: str, is_here: bool) -> LensOrder:
    """The lens came scratched, was lost on the way or was made wrong: order it again.

    ``is_here``: the faulty piece lies here and is kept apart until it is sent back.
    """
    actor.require(PurchasingPermission.RECEIVE, lens_order.branch_id)
    check_reason(reason)
    with transaction.atomic():
        held = _held(lens_order)
        if held.state == LensOrderState.RECEIVED:
            raise ReportedAtTheBench(f"Lens order {held.number} was received.", allowed=["jobs/{id}/break-lens"])
        _check(held, LensOrderState.FAULTY)
        if is_here:
            _came_wrong(actor, held, reason.strip(), _cost(held, None))
        else:
            _move(held, LensOrderState.FAULTY, fault=reason.strip()[:500])
            _order_again(actor, held)
    return held


def lens_order_cancel(*, actor: Actor, lens_order: LensOrder, reason: str, version: int | None = None) -> LensOrder:
    """Call a lens off at its supplier. The order still needs it: draft another with ``lens_orders_ensure``."""
    actor.require(PurchasingPermission.ORDER, lens_order.branch_id)
    check_reason(reason)
    with transaction.atomic():
        held = _held(lens_order, version)
        _move(held, LensOrderState.CANCELLED, cancelled_reason=reason.strip()[:300])
        _record(events.LENS_ORDER_CANCELLED, held, actor, reason=reason.strip())
    return held


def lens_orders_give_up(*, actor: Actor, order: Order, reason: str) -> None:
    """The order was called off: drafts are cancelled; a lens on its way is marked as no longer wanted."""
    with transaction.atomic():
        for lens_order in reads.live_lens_orders(order).values():
            held = _held(lens_order)
            if held.state == LensOrderState.DRAFT:
                lens_order_cancel(actor=actor, lens_order=held, reason=f"Order called off: {reason}"[:300])
            elif lens_order.is_wanted:
                rows.write(held, is_wanted=False)
                _record(events.LENS_ORDER_UNWANTED, held, actor)


def lens_lost(*, actor: Actor, order: Order, eye: str, reason: str, is_uncut: bool) -> LensOrder | None:
    """The bench lost the special lens of an eye: it leaves the stock and is ordered again; returns the new draft.

    An uncut lens that read wrong is kept apart for its supplier. None when the lens of that eye is none made to order.
    """
    with transaction.atomic():
        lens = order.lenses.filter(eye=eye, is_special_order=True).first()
        if lens is None:
            return None
        received = LensOrder.objects.everywhere("of the order of the caller").filter(
            order=order, eye=eye, state=LensOrderState.RECEIVED
        )
        last = received.order_by("-attempt").first()
        held = None if last is None else _held(last)
        _take_off(actor, order, eye, reason, held.lot if held is not None and is_uncut else None)
        if held is not None:
            _move(held, LensOrderState.FAULTY, fault=reason[:500])
        drafted = lens_orders_ensure(actor=actor, order=order, eyes=[eye], reason=reason[:300])
        if held is not None:
            replacement = drafted[0].id if drafted else None
            _record(events.SPECIAL_LENS_FAULTY, held, actor, reason=reason, replacement=replacement)
        return drafted[0] if drafted else None


def _take_off(actor: Actor, order: Order, eye: str, reason: str, kept_apart: Lot | None) -> None:
    """The piece leaves the order: into quarantine for its supplier, or written off."""
    if eye not in reads.eyes_held(order):
        return
    document = order_document(order)
    if kept_apart is None:
        stock.stock_write_off(actor=actor, branch=order.branch, document=document, part=eye, reason=reason[:200])
        return
    stock.stock_release(actor=actor, branch=order.branch, document=document, reason=reason[:200], part=eye)
    if not kept_apart.is_quarantined:
        stock.lot_quarantine(actor=actor, lot=kept_apart, reason=reason[:200])


def _ensure(actor: Actor, order: Order, eyes: Sequence[str] | None, reason: str) -> list[LensOrder]:
    with transaction.atomic():
        [order] = lock_rows(
            Order.objects.everywhere("by key, authorised by the caller").filter(id=order.id).select_related("branch")
        )
        if order.state in _SUPPLIED:
            return []
        taken = reads.eyes_held(order) | set(reads.live_lens_orders(order))
        lenses = order.lenses.filter(is_special_order=True).select_related("product")
        return [
            _draft(actor, order, lens, reason)
            for lens in lenses
            if lens.eye not in taken and (eyes is None or lens.eye in eyes)
        ]


def _draft(actor: Actor, order: Order, lens: OrderedLens, reason: str) -> LensOrder:
    before = LensOrder.objects.everywhere("of the order of the caller").filter(order=order, eye=lens.eye)
    attempt = (before.aggregate(last=Max("attempt"))["last"] or 0) + 1
    drafted = LensOrder(
        branch=order.branch,
        number=number_next(branch=order.branch, kind=Series.LENS_ORDER),
        order=order,
        eye=lens.eye,
        attempt=attempt,
        reason=(reason or "Ordered again") if attempt > 1 else "",
        product=lens.product,
        diameter_mm=lens.product.diameter_mm,
        **{name: getattr(lens, name) for name in _EXACT},
    )
    day = clock.today(order.branch.time_zone)
    sources = sources_for(lens.product, day=day, power=(lens.sphere_dpt, lens.cylinder_dpt))
    if sources:
        best = sources[0]
        drafted.supplier = best.supplier
        drafted.currency = best.price.currency if best.price else best.supplier.currency
        drafted.unit_cost = best.price.unit_cost if best.price else None
    drafted.save(force_insert=True)
    _record(events.LENS_ORDER_DRAFTED, drafted, actor, reason=drafted.reason)
    return drafted


def _came_wrong(actor: Actor, held: LensOrder, why: str, cost: Decimal, **kept: Any) -> None:
    """The faulty piece is counted in a lot of its own in quarantine, until it is sent back; another is drafted."""
    lot = stock.goods_receive(
        actor=actor,
        branch=held.branch,
        item=_item(held),
        lot_code=f"Q {held.number}",
        quantity=1,
        unit_cost=cost,
        document=f"lens-orders/{held.id}",
        quarantine_reason=why[:200],
    )
    _move(
        held,
        LensOrderState.FAULTY,
        fault=why[:500],
        received_at=clock.now(),
        received_by_id=actor.id,
        lot=lot,
        **kept,
    )
    _order_again(actor, held)


def _order_again(actor: Actor, held: LensOrder) -> None:
    """Whoever unpacks a faulty lens drafts the next one; it is sent by those who may order."""
    drafted = _ensure(actor, held.order, [held.eye], held.fault[:300]) if held.is_wanted else []
    _record(
        events.SPECIAL_LENS_FAULTY,
        held,
        actor,
        reason=held.fault,
        replacement=drafted[0].id if drafted else None,
    )


def _held(lens_order: LensOrder, version: int | None = None) -> LensOrder:
    """The lens order, held, its order before it; called off or collected meanwhile, it is no longer wanted."""
    order = Order.objects.everywhere("of a lens order that was shown").filter(id=lens_order.order_id)
    [order_row] = lock_rows(order)
    held = rows.locked(lens_order, "branch", "supplier", "product", "order", "lot", version=version)
    held.is_wanted = held.is_wanted and order_row.state not in _SUPPLIED
    return held


def _move(held: LensOrder, state: LensOrderState, **values: Any) -> None:
    rows.move(held, LENS_ORDER_MOVES, state, of=f"Lens order {held.number}", **values)


def _check(held: LensOrder, state: LensOrderState) -> None:
    check_move(LENS_ORDER_MOVES, held.state, state, of=f"Lens order {held.number}")


def _take_in(actor: Actor, held: LensOrder, lot_code: str, cost: Decimal) -> Lot:
    """The piece in a lot of its own; promised to its order unless that was called off or collected."""
    item = _item(held)
    if held.is_wanted and held.eye in reads.eyes_held(held.order):
        raise LensStillHeld(f"Order {held.order.number} holds a {held.eye} lens.", field="eye")
    taken = Lot.objects.everywhere("of the branch of a held lens order").filter(
        branch_id=held.branch_id, item=item, code=lot_code
    )
    code = held.number if taken.exists() else lot_code
    lot = stock.goods_receive(
        actor=actor,
        branch=held.branch,
        item=item,
        lot_code=code,
        quantity=1,
        unit_cost=cost,
        document=f"lens-orders/{held.id}",
    )
    if held.is_wanted:
        _promise(actor, lot, order_document(held.order), held.eye)
    return lot


def _item(held: LensOrder) -> StockItem:
    """The item a special lens is counted under; the lot tells lenses of one sphere and cylinder apart."""
    return StockItem.objects.get_or_create(
        kind=StockItem.Kind.LENS, lens=held.product, sphere_dpt=held.sphere_dpt, cylinder_dpt=held.cylinder_dpt
    )[0]


def _promise(actor: Actor, lot: Lot, document: str, part: str) -> None:
    """Promise exactly this piece: another one of the same sphere and cylinder has another axis or addition."""
    promise = Reservation(branch_id=lot.branch_id, lot=lot, document=document, part=part)
    kind = Movement.Kind.RESERVATION
    if not post(actor=actor, lot=lot, kind=kind, reserved_change=1, document=document, part=part, promise=promise):
        raise stock.OutOfStock(f"Lot {lot.code} holds no unpromised piece.", field="eye")


def _cost(held: LensOrder, given: Decimal | None) -> Decimal:
    """Of the piece in the branch's currency."""
    currency = held.branch.currency
    cost = given
    if cost is None and held.currency == currency:
        cost = held.unit_cost
    if cost is None:
        raise CostUnknown(
            f"The supplier charges {held.unit_cost} {held.currency}.",
            field="unit_cost",
            allowed=f"what the piece costs in {currency}",
        )
    check_cost(cost, currency)
    return cost


def _price(held: LensOrder, supplier: Supplier) -> Any:
    day = clock.today(held.branch.time_zone)
    sources = sources_for(held.product, day=day, power=(held.sphere_dpt, held.cylinder_dpt))
    return next((source.price for source in sources if source.supplier == supplier), None)


def _lead_days(held: LensOrder, supplier: Supplier) -> int:
    sources = sources_for(held.product, day=clock.today(held.branch.time_zone))
    own = (source.lead_days for source in sources if source.supplier == supplier)
    return next(own, supplier.lead_time_days)


def _record(event_type: str, held: LensOrder, actor: Actor, **more: Any) -> None:
    rows.record(
        event_type,
        f"lens-orders/{held.id}",
        actor,
        held.branch_id,
        lens_order=held.id,
        number=held.number,
        order=held.order_id,
        eye=held.eye,
        **more,
    )
