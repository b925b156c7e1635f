"""Writes of purchase orders: drafted, amended, sent, and what is not delivered called off."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.money import minor_unit, rounded
from opticshop.stock import services as stock
from opticshop.stock.models import StockItem

from .. import events
from ..models import PURCHASE_ORDER_MOVES, PurchaseLine, PurchaseOrder, PurchaseOrderState, Supplier
from ..permissions import PurchasingPermission
from ..selectors.suppliers import Source, sources_by_article
from . import rows

MOST_LINES = 1000


class NothingOrdered(Invalid):
    """A purchase order has at least one line, and no more than can be checked by a person."""

    code = "purchasing.nothing_ordered"
    title = "The number of lines cannot be right"


class QuantityImpossible(Invalid):
    """Pieces are ordered in whole numbers from one, in the packets in which the supplier sells them."""

    code = "purchasing.quantity_impossible"
    title = "This quantity cannot be ordered"


class ItemTwice(Invalid):
    """An item stands once on a purchase order; put the pieces together."""

    code = "purchasing.item_twice"
    title = "The same item is ordered twice"


class CostUnknown(Conflict):
    """No price of the supplier holds today for this; give the cost of a piece."""

    code = "purchasing.cost_unknown"
    title = "The cost is not known"


class CostImpossible(Invalid):
    """The cost is negative or has more decimals than its currency has coins."""

    code = "purchasing.cost_impossible"
    title = "Nobody can pay this cost"


class NotADraft(Conflict):
    """What was sent to the supplier is not amended; call off the rest and draft another."""

    code = "purchasing.not_a_draft"
    title = "Only a draft can be amended"


class BelowMinimum(Conflict):
    """The supplier asks for a larger order; send it all the same by saying so."""

    code = "purchasing.below_minimum"
    title = "The order is below the supplier's minimum"


class ReasonMissing(Invalid):
    """What is called off, refused or thrown away is so for a reason, in words."""

    code = "purchasing.reason_missing"
    title = "Say why"


@dataclass(frozen=True, slots=True)
class WantedLine:
    """Pieces to order: an item, or the frame or lens in a power (any cylinder form) that is made one.

    ``unit_cost`` is that of one piece in the supplier's currency; None takes the price that holds today.
    """

    quantity: int
    item: StockItem | None = None
    frame: Frame | None = None
    lens: LensProduct | None = None
    sphere_dpt: Decimal = Decimal(0)
    cylinder_dpt: Decimal = Decimal(0)
    unit_cost: Decimal | None = None

    @property
    def article(self) -> Frame | LensProduct:
        found = self.frame or self.lens
        if found is None and self.item is not None:
            found = self.item.frame or self.item.lens
        assert found is not None
        return found

    @property
    def power(self) -> tuple[Decimal, Decimal] | None:
        """Of an item that is a lens, minus-cylinder form."""
        if self.item is None or self.item.sphere_dpt is None or self.item.cylinder_dpt is None:
            return None
        return self.item.sphere_dpt, self.item.cylinder_dpt

    def as_item(self) -> WantedLine:
        """The same line with its item, made on first use. Raises what stock refuses."""
        if self.item is not None:
            return self
        if self.frame is not None:
            return replace(self, item=stock.frame_item_ensure(self.frame))
        assert self.lens is not None
        return replace(self, item=stock.lens_item_ensure(self.lens, self.sphere_dpt, self.cylinder_dpt))


def purchase_order_draft(
    *, actor: Actor, branch: Branch, supplier: Supplier, lines: Sequence[WantedLine], note: str = ""
) -> PurchaseOrder:
    """Draft an order of a branch to a supplier; nothing is expected until it is sent."""
    actor.require(PurchasingPermission.ORDER, branch.id)
    with transaction.atomic():
        check_active(supplier)
        order = PurchaseOrder(
            branch=branch, supplier=supplier, currency=supplier.currency, note=note, drafted_by_id=actor.id
        )
        drafted = _lines(order, lines)
        order.total = _total(drafted)
        order.number = number_next(branch=branch, kind=Series.PURCHASE_ORDER)
        order.save(force_insert=True)
        PurchaseLine.objects.bulk_create(drafted)
        _record(events.PURCHASE_ORDER_DRAFTED, order, actor)
    return order


def purchase_order_amend(
    *,
    actor: Actor,
    order: PurchaseOrder,
    version: int,
    note: str | None = None,
    lines: Sequence[WantedLine] | None = None,
) -> PurchaseOrder:
    """Change a draft, guarded by its version; ``lines``, when given, replace all that it had."""
    actor.require(PurchasingPermission.ORDER, order.branch_id)
    with transaction.atomic():
        held = rows.locked(order, "branch", "supplier", version=version)
        if held.state != PurchaseOrderState.DRAFT:
            raise NotADraft(f"Purchase order {held.number} is {held.state}.", field="state", allowed=["draft"])
        values: dict[str, Any] = {} if note is None else {"note": note}
        if lines is not None:
            drafted = _lines(held, lines)
            held.lines.all().delete()
            PurchaseLine.objects.bulk_create(drafted)
            values["total"] = _total(drafted)
        rows.write(held, **values)
        fields = sorted([*(["note"] if note is not None else []), *(["lines"] if lines is not None else [])])
        _record(events.PURCHASE_ORDER_AMENDED, held, actor, fields=fields)
    return held


def purchase_order_send(
    *, actor: Actor, order: PurchaseOrder, version: int | None = None, below_minimum: bool = False
) -> PurchaseOrder:
    """The order goes to the supplier: its pieces are expected from now on. Raises BelowMinimum unless accepted."""
    actor.require(PurchasingPermission.ORDER, order.branch_id)
    with transaction.atomic():
        held = rows.locked(order, "branch", "supplier", version=version)
        check_active(held.supplier)
        minimum = held.supplier.minimum_order
        today = clock.today(held.branch.time_zone)
        lines = list(held.lines.select_related("item__frame", "item__lens").order_by("item_id"))
        rows.move(
            held,
            PURCHASE_ORDER_MOVES,
            PurchaseOrderState.SENT,
            of=f"Purchase order {held.number}",
            sent_at=clock.now(),
            expected_on=calendar_of(held.branch).open_days_after(today, _lead_days(held, lines)),
        )
        if held.total < minimum and not below_minimum:
            raise BelowMinimum(
                f"{held.supplier} asks for {minimum} {held.currency}; this comes to {held.total}.",
                field="accept_below_minimum",
                allowed={"minimum": str(minimum)},
            )
        for line in lines:
            stock.expected_change(
                actor=actor, branch=held.branch, item=line.item, delta=line.quantity, document=document_of(held)
            )
        _record(
            events.PURCHASE_ORDER_SENT,
            held,
            actor,
            total=str(held.total),
            expected_on=held.expected_on and held.expected_on.isoformat(),
        )
    return held


def purchase_order_cancel(
    *, actor: Actor, order: PurchaseOrder, reason: str, version: int | None = None
) -> PurchaseOrder:
    """Call off what has not been received. Nothing received: the order is cancelled; else it counts as received."""
    actor.require(PurchasingPermission.ORDER, order.branch_id)
    check_reason(reason)
    with transaction.atomic():
        held = rows.locked(order, "branch", "supplier", version=version)
        lines = list(held.lines.select_related("item").order_by("item_id"))
        was_sent = held.state != PurchaseOrderState.DRAFT
        some = any(line.received for line in lines)
        rows.move(
            held,
            PURCHASE_ORDER_MOVES,
            PurchaseOrderState.RECEIVED if some else PurchaseOrderState.CANCELLED,
            of=f"Purchase order {held.number}",
            cancelled_reason=reason.strip(),
        )
        pieces = 0
        for line in lines:
            rest = line.outstanding
            if not rest:
                continue
            pieces += rest
            line.cancelled += rest
            line.save(update_fields=["cancelled"])
            if was_sent:
                stock.expected_change(
                    actor=actor, branch=held.branch, item=line.item, delta=-rest, document=document_of(held)
                )
        _record(events.PURCHASE_ORDER_CANCELLED, held, actor, state=held.state, pieces=pieces, reason=reason.strip())
    return held


def document_of(order: PurchaseOrder) -> str:
    """How stock names a purchase order."""
    return f"purchase-orders/{order.id}"


def check_active(supplier: Supplier) -> None:
    if not supplier.is_active:
        raise rows.SupplierInactive(f"{supplier} was retired by head office.", field="supplier")


def check_reason(reason: str, field: str = "reason") -> None:
    if not reason.strip():
        raise ReasonMissing(field=field)


def check_cost(cost: Decimal, currency: str, field: str = "unit_cost") -> None:
    if cost < 0 or rounded(cost, currency) != cost:
        raise CostImpossible(
            f"{cost} {currency} is no cost.", field=field, allowed=f"0 or more in steps of {minor_unit(currency)}"
        )


def _lines(order: PurchaseOrder, wanted: Sequence[WantedLine]) -> list[PurchaseLine]:
    """The unsaved lines with their costs. Raises what cannot be ordered, naming the line by its place from 0."""
    if not 1 <= len(wanted) <= MOST_LINES:
        raise NothingOrdered(f"{len(wanted)} lines.", field="lines", allowed=f"1 to {MOST_LINES} lines")
    items = [line.as_item() for line in wanted]
    prices = _prices(order, items)
    lines: list[PurchaseLine] = []
    seen: dict[uuid.UUID, int] = {}
    for place, line in enumerate(items):
        assert line.item is not None
        if line.item.id in seen:
            raise ItemTwice(f"Lines {seen[line.item.id]} and {place} are the same item.", field=f"lines/{place}")
        seen[line.item.id] = place
        source = prices.get(line.item.id)
        price = source.price if source else None
        pack = price.pack_size if price else 1
        if line.quantity < 1 or line.quantity % pack:
            raise QuantityImpossible(
                f"{line.quantity} pieces of {line.article}.",
                field=f"lines/{place}/quantity",
                allowed=f"a multiple of {pack}" if pack > 1 else "1 or more",
            )
        cost = line.unit_cost
        if cost is None and price is not None and price.currency == order.currency:
            cost = price.unit_cost
        if cost is None:
            raise CostUnknown(
                f"{order.supplier} has no price in {order.currency} for {line.article} today.",
                field=f"lines/{place}/unit_cost",
                allowed="the cost of one piece",
            )
        check_cost(cost, order.currency, f"lines/{place}/unit_cost")
        lines.append(
            PurchaseLine(
                purchase_order=order,
                position=place + 1,
                item=line.item,
                supplier_code=price.supplier_code if price else "",
                quantity=line.quantity,
                unit_cost=cost,
            )
        )
    return lines


def _prices(order: PurchaseOrder, items: Sequence[WantedLine]) -> Mapping[uuid.UUID, Source]:
    """Item id -> how the supplier of the order sells it today; items it does not offer are not in it."""
    return item_sources(
        order.supplier, [(line.item, line.article, line.power) for line in items if line.item], order.branch
    )


def item_sources(
    supplier: Supplier,
    wanted: Sequence[tuple[StockItem, Frame | LensProduct, tuple[Decimal, Decimal] | None]],
    branch: Branch,
) -> dict[uuid.UUID, Source]:
    """Item id -> how a supplier sells it today. Two queries, however many items."""
    today = clock.today(branch.time_zone)
    offered = sources_by_article({article for _, article, _ in wanted}, day=today, suppliers=[supplier])
    found: dict[uuid.UUID, Source] = {}
    for item, article, power in wanted:
        for source in offered[article.id]:
            found[item.id] = source.for_power(power)
    return found


def _lead_days(order: PurchaseOrder, lines: Sequence[PurchaseLine]) -> int:
    """The longest lead time among the articles of the order, in working days."""
    articles = {line.item.frame or line.item.lens for line in lines}
    offered = sources_by_article(
        [article for article in articles if article],
        day=clock.today(order.branch.time_zone),
        suppliers=[order.supplier],
    )
    days = [source.lead_days for sources in offered.values() for source in sources]
    return max([*days, 0]) if len(days) == len(offered) else max([*days, order.supplier.lead_time_days])


def _total(lines: Sequence[PurchaseLine]) -> Decimal:
    return sum((line.unit_cost * line.quantity for line in lines), Decimal(0))


def _record(event_type: str, order: PurchaseOrder, actor: Actor, **more: Any) -> None:
    rows.record(
        event_type,
        document_of(order),
        actor,
        order.branch_id,
        purchase_order=order.id,
        number=order.number,
        supplier=order.supplier_id,
        **more,
    )
