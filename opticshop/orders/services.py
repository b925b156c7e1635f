"""Writes of orders: placing one in a single transaction, following it, calling it off."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import F

from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.catalogue.models import Frame, LensProduct, ServiceItem
from opticshop.catalogue.selectors import dispensing_service
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move
from opticshop.customers.ages import age_on
from opticshop.customers.merged import belongs_to, refuse_merged, refuse_unused
from opticshop.customers.models import Customer
from opticshop.plugin_api import OrderDraft
from opticshop.pluginhost import services as plugins
from opticshop.prescriptions.models import Measurement, Prescription
from opticshop.prescriptions.services import dispensing_leave
from opticshop.prices.promotions_services import (
    promotion_give_back,
    promotion_not_applicable,
    promotion_quote,
    promotion_use,
)
from opticshop.stock import selectors as stock_selectors
from opticshop.stock import services as stock

from . import computing, events, pricing, selectors, spoiling, taxing
from .computing import Computed, Purpose
from .models import ORDER_MOVES, Order, OrderedLens, OrderLine, OrderState, Promise, Quotation
from .permissions import OrderPermission
from .promising import Reckoned, lead_days, reckon

EYES = ("right", "left")
#: What the columns of an order can hold.
LARGEST_TOTAL = Decimal(100_000_000)


class DoesNotBelongTogether(Invalid):
    """The prescription, the measurements or the branch belong to somebody or somewhere else."""

    code = "orders.does_not_belong_together"
    title = "These do not belong to the same customer and branch"


class LensNotInStock(Conflict):
    """No lens or frame of this kind is available at the branch; says what was looked for."""

    code = "orders.not_in_stock"
    title = "Not in stock at this branch"


class PromiseInThePast(Invalid):
    """A promised day lies before today."""

    code = "orders.promise_in_the_past"
    title = "A promise cannot lie in the past"


class PromiseOnClosedDay(Invalid):
    """Nobody is there on the promised day; names why and the next day that is open."""

    code = "orders.promise_on_closed_day"
    title = "The branch is closed on this day"


class NothingToPromise(Conflict):
    """Only an order that is placed or in the workshop can be promised for another day."""

    code = "orders.nothing_to_promise"
    title = "This order has nothing to promise any more"


class TotalTooLarge(Invalid):
    """The prices add up to more than any pair of spectacles costs; look at the catalogue."""

    code = "orders.total_too_large"
    title = "The total is too large"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the customer chose, resolved to rows the actor may see."""

    branch: Branch
    customer: Customer
    prescription: Prescription
    measurement: Measurement
    frame: Frame
    lenses: Mapping[str, LensProduct]
    purpose: Purpose = "distance"
    frame_is_customers: bool = False
    note: str = ""
    promised_on: dt.date | None = None
    treatments: Sequence[ServiceItem] = ()
    promotion_code: str = ""


@dataclass(frozen=True, slots=True)
class Quote:
    """Everything an order would be, before anything is written."""

    wanted: Wanted
    computed: Computed
    lines: list[pricing.Priced]
    promise: Reckoned

    @property
    def promised_on(self) -> dt.date:
        return self.promise.promised_on

    @property
    def total(self) -> Decimal:
        return sum((line.gross for line in self.lines), pricing.ZERO)

    @property
    def tax_total(self) -> Decimal:
        return sum((line.tax for line in self.lines), pricing.ZERO)


def order_quote(
    *, actor: Actor, wanted: Wanted, replaces: Order | None = None, quotation: Quotation | None = None
) -> Quote:
    """Compute and price an order without placing it: nothing is written and nothing is reserved.

    With a quotation its prices hold; the tax within them is that of today.
    """
    actor.require(OrderPermission.PLACE, wanted.branch.id)
    if replaces is None and quotation is None:
        refuse_merged(actor, wanted.customer)
    refuse_unused(wanted.customer)
    _check_belongs(wanted)
    day = clock.today(wanted.branch.time_zone)
    computed = computing.compute(
        prescription=wanted.prescription,
        measurement=wanted.measurement,
        frame=wanted.frame,
        lenses=wanted.lenses,
        purpose=wanted.purpose,
    )
    if quotation is None:
        lines = _priced(actor, wanted, day, replaces)
    else:
        lines = pricing.kept(quotation.lines.select_related("lens", "service", "price_list"), wanted.frame)
    lines, tax = taxing.taxed(lines, branch=wanted.branch, day=day)
    if tax is not None:
        computed.record["tax"] = tax
    if sum((line.gross for line in lines), pricing.ZERO) >= LARGEST_TOTAL:
        raise TotalTooLarge(f"An order totals less than {LARGEST_TOTAL}.", field="lenses")
    if wanted.prescription.expires_on < day:
        words = f"The prescription expired on {wanted.prescription.expires_on}; placing needs a recorded override"
        computed.warnings.append({"code": "prescription_expired", "detail": words, "eye": None})
    return Quote(wanted, computed, lines, _promise(wanted, day))


def order_place(
    *,
    actor: Actor,
    wanted: Wanted,
    replaces: Order | None = None,
    replacement_reason: str = "",
    quotation: Quotation | None = None,
) -> Order:
    """Place an order: compute, price, number, and reserve frame and lenses by lot, all or nothing.

    With a quotation at its price. Raises what the prescription, the optics, the price rules, the promotion and the
    stock refuse; then nothing has been written.
    """
    actor.require(OrderPermission.PLACE, wanted.branch.id)
    with transaction.atomic():
        customer_hold(wanted.customer)
        override = dispensing_leave(prescription=wanted.prescription, branch=wanted.branch)
        quote = order_quote(actor=actor, wanted=wanted, replaces=replaces, quotation=quotation)
        quote.computed.check_cuts_out()
        order = Order(
            branch=wanted.branch,
            customer=wanted.customer,
            prescription=wanted.prescription,
            measurement=wanted.measurement,
            override=override,
            frame=wanted.frame,
            frame_is_customers=wanted.frame_is_customers,
            purpose=wanted.purpose,
            placed_at=clock.now(),
            placed_by_id=actor.id,
            promised_on=quote.promised_on,
            currency=wanted.branch.currency,
            total=quote.total,
            tax_total=quote.tax_total,
            computation=quote.computed.record,
            warnings=quote.computed.warnings,
            note=wanted.note,
            replaces=replaces,
            replacement_reason=replacement_reason,
            quotation=quotation,
            promotion_code=promotion_code(quote.lines),
        )
        plugins.decide_order_placement(branch=wanted.branch, draft=_draft(order, quote))
        order.number = number_next(branch=wanted.branch, kind=Series.ORDER)
        order.save(force_insert=True)
        OrderedLens.objects.bulk_create(
            OrderedLens(
                order=order,
                product=wanted.lenses[eye],
                is_special_order=_is_special(wanted.lenses[eye]),
                **lens.supplied,
            )
            for eye, lens in quote.computed.lenses.items()
        )
        OrderLine.objects.bulk_create(
            OrderLine(order=order, position=position, **pricing.columns(line))
            for position, line in enumerate(quote.lines, start=1)
        )
        _promise_keep(order, actor, quote.promise)
        _reserve(actor, order, quote)
        _promotion_use(actor, order, quote, on=None if quotation is None else quotation.quoted_on)
        record(events.ORDER_PLACED, order, actor, special_order=_has_special(wanted))
    return order


def customer_hold(customer: Customer) -> None:
    """Nobody erases, restricts or merges the customer until the transaction ends; it is locked before what is theirs.
    Raises CustomerErased or CustomerRestricted as it is now, not as it was read."""
    rows = Customer.objects.everywhere("of an order, seen by the caller").filter(id=customer.id)
    [fresh] = lock_rows(rows)
    refuse_unused(fresh)


def order_cancel(*, actor: Actor, order: Order, reason: str, cause: str = "", borne_by: str = "") -> Order:
    """Call an order off: what is spoilt for others (a lens that was cut) is written off, the rest goes back.

    Both happen in this transaction, so that nobody finds a cut lens in the drawer. A promotion that was used can be
    used again. Money already taken is paid back by
    its own use case. ``cause`` and ``borne_by`` go with the event for whoever keeps account of what was spoilt.
    """
    actor.require(OrderPermission.CANCEL, order.branch_id)
    with transaction.atomic():
        locked = _move(order, OrderState.CANCELLED, cancelled_reason=reason)
        spoiled = _stock_give_back(actor, locked, cause)
        promotion_give_back(actor=actor, document=document_of(locked))
        record(events.ORDER_CANCELLED, locked, actor, reason=reason, spoiled=spoiled, cause=cause, borne_by=borne_by)
    return locked


def order_enter_workshop(*, actor: Actor, order: Order) -> Order:
    """The workshop has opened a job for the order (the first, or a remake)."""
    with transaction.atomic():
        locked = _move(order, OrderState.IN_WORKSHOP)
        record(events.ORDER_IN_WORKSHOP, locked, actor)
    return locked


def order_mark_ready(*, actor: Actor, order: Order) -> Order:
    """The pair has passed the final inspection and is packed."""
    with transaction.atomic():
        locked = _move(order, OrderState.READY, ready_at=clock.now())
        record(events.ORDER_READY, locked, actor, customer=str(locked.customer_id))
    return locked


def order_collect(*, actor: Actor, order: Order) -> Order:
    """The customer has the pair; the frame and lenses leave the stock."""
    with transaction.atomic():
        locked = _move(order, OrderState.COLLECTED, collected_at=clock.now())
        for branch in set(selectors.held_parts(order).values()):
            stock.stock_consume(actor=actor, branch=branch, document=document_of(order))
        record(
            events.ORDER_COLLECTED,
            locked,
            actor,
            customer=str(locked.customer_id),
            prescription=str(locked.prescription_id),
        )
    return locked


def order_promise(*, actor: Actor, order: Order, promised_on: dt.date, reason: str) -> Order:
    """Give a new promise day, with its reason; the former promises stay in ``order.promises``."""
    actor.require(OrderPermission.PLACE, order.branch_id)
    _check_promised_on(order.branch, promised_on)
    with transaction.atomic():
        [locked] = lock_rows(Order.objects.everywhere("by key, authorised above").filter(id=order.id))
        if locked.state not in (OrderState.PLACED, OrderState.IN_WORKSHOP):
            raise NothingToPromise(f"Order {locked.number} is {locked.state}.", field="state")
        before = locked.promised_on
        _update(order, promised_on=promised_on)
        _promise_keep(order, actor, Reckoned(promised_on, reason, {}))
        record(
            events.ORDER_PROMISED,
            order,
            actor,
            promised_on=promised_on.isoformat(),
            before=before.isoformat(),
            reason=reason,
        )
    order.promised_on = promised_on
    return order


def document_of(order: Order) -> str:
    """How stock movements and reservations name an order."""
    return selectors.document_of(order)


def called_off_words(number: str, cause: str) -> str:
    """How stock movements say that an order was called off: its number and a code. The reason in words is of a person
    and stays with the order: lines of the stock ledger cannot be changed and outlive the person's record."""
    return f"Order {number} called off ({cause or 'called_off'})"


def _stock_give_back(actor: Actor, order: Order, cause: str) -> list[str]:
    """Write off the spoilt parts that the order holds and release the others, wherever they lie; returns the spoilt."""
    held = selectors.held_parts(order)
    spoiled = sorted(spoiling.spoiled_parts(order) & held.keys())
    document, why = document_of(order), called_off_words(order.number, cause)
    for part in spoiled:
        stock.stock_write_off(actor=actor, branch=held[part], document=document, part=part, reason=why)
    for branch in set(held.values()):
        stock.stock_release(actor=actor, branch=branch, document=document, reason=why)
    return spoiled


def _check_belongs(wanted: Wanted) -> None:
    if wanted.customer.branch_id != wanted.branch.id:
        raise DoesNotBelongTogether("The customer is at home in another branch.", field="branch")
    if not belongs_to(wanted.prescription, wanted.customer):
        raise DoesNotBelongTogether("The prescription is another person's.", field="prescription")
    if not belongs_to(wanted.measurement, wanted.customer):
        raise DoesNotBelongTogether("The measurements are another person's.", field="measurement")
    if wanted.promised_on is not None:
        _check_promised_on(wanted.branch, wanted.promised_on)


def _check_promised_on(branch: Branch, promised_on: dt.date) -> None:
    """Raise PromiseInThePast or PromiseOnClosedDay."""
    if promised_on < clock.today(branch.time_zone):
        raise PromiseInThePast(f"{promised_on} has passed.", field="promised_on", allowed="today or later")
    calendar = calendar_of(branch)
    why = calendar.why_closed(promised_on)
    if why is not None:
        raise PromiseOnClosedDay(
            f"{branch.code} is closed on {promised_on}: {why}.",
            field="promised_on",
            allowed=calendar.next_open(promised_on).isoformat(),
        )


def promotion_code(lines: Sequence[pricing.Priced]) -> str:
    """The promotion whose discount the lines bear, or nothing."""
    return next((why.source for line in lines for why in line.reasons if why.kind == "promotion"), "")


def _priced(actor: Actor, wanted: Wanted, day: dt.date, replaces: Order | None) -> list[pricing.Priced]:
    """The lines at the prices of the day, with what plugins and then the promotion take off them."""
    service = dispensing_service()
    lines = pricing.price(
        branch=wanted.branch,
        frame=None if wanted.frame_is_customers else wanted.frame,
        lenses=wanted.lenses,
        treatments=wanted.treatments,
        services=[service] if service else [],
        customer_age=age_on(wanted.customer.birth_date, day),
        prescription_issued_on=wanted.prescription.issued_on,
        day=day,
        earlier=selectors.earlier_orders(wanted.customer, day, besides=replaces),
    )
    if not wanted.promotion_code:
        return lines
    found = promotion_quote(
        actor=actor,
        promotion=wanted.promotion_code,
        branch=wanted.branch,
        customer=wanted.customer,
        total=sum((line.gross for line in lines), pricing.ZERO),
        is_complete_pair=_is_complete_pair(wanted),
        on=day,
    )
    if not found.applies:
        raise promotion_not_applicable(found)
    why = pricing.Reason("promotion", found.promotion.code, found.promotion.name, -found.discount)
    return pricing.discounted(lines, found.discount, why, wanted.branch.currency)


def _promotion_use(actor: Actor, order: Order, quote: Quote, *, on: dt.date | None) -> None:
    """Use the promotion that the price counts on; raises when somebody else used it up in the meantime."""
    if not order.promotion_code:
        return
    taken = sum((why.amount for line in quote.lines for why in line.reasons if why.kind == "promotion"), pricing.ZERO)
    taken += sum((line.tax_added for line in quote.lines), pricing.ZERO)
    promotion_use(
        actor=actor,
        promotion=order.promotion_code,
        branch=order.branch,
        customer=order.customer,
        document=document_of(order),
        total=order.total - taken,
        is_complete_pair=_is_complete_pair(quote.wanted),
        on=on,
    )


def _is_complete_pair(wanted: Wanted) -> bool:
    return pricing.is_complete_pair(wanted.lenses, with_frame=not wanted.frame_is_customers)


def _promise(wanted: Wanted, day: dt.date) -> Reckoned:
    if wanted.promised_on is not None:
        return Reckoned(wanted.promised_on, "Day named when the order was placed", {})
    return reckon(
        branch=wanted.branch,
        day=day,
        lead=lead_days(branch=wanted.branch, day=day, specials=filter(_is_special, wanted.lenses.values())),
        open_orders=selectors.open_orders(wanted.branch),
    )


def _promise_keep(order: Order, actor: Actor, promise: Reckoned) -> None:
    Promise.objects.create(
        order=order,
        promised_on=promise.promised_on,
        reason=promise.reason,
        basis=promise.basis,
        made_at=clock.now(),
        made_by_id=actor.id,
    )


def _is_special(product: LensProduct) -> bool:
    return product.supply == LensProduct.Supply.MADE_TO_ORDER


def _has_special(wanted: Wanted) -> bool:
    return any(_is_special(product) for product in wanted.lenses.values())


def _reserve(actor: Actor, order: Order, quote: Quote) -> None:
    """Reserve every part that comes from stock; a part that is not there refuses the whole order."""
    wanted: dict[str, Any] = {}
    if not order.frame_is_customers:
        wanted["frame"] = stock_selectors.frame_item(order.frame)
    for eye, lens in quote.computed.lenses.items():
        product = quote.wanted.lenses[eye]
        if not _is_special(product):
            wanted[eye] = stock_selectors.lens_item(product, lens.supplied["sphere_dpt"], lens.supplied["cylinder_dpt"])
    for part, item in wanted.items():
        if item is None:
            raise LensNotInStock(_sought(part, order, quote), field=part if part == "frame" else f"lenses/{part}")
    if wanted:
        stock.stock_reserve_many(actor=actor, branch=order.branch, document=document_of(order), wanted=wanted)


def _sought(part: str, order: Order, quote: Quote) -> str:
    if part == "frame":
        return f"{order.frame} has never been in stock."
    power = quote.computed.lenses[part].supplied
    return (
        f"{quote.wanted.lenses[part]} {power['sphere_dpt']:+}/{power['cylinder_dpt']:+} for the {part} eye "
        "has never been in stock; choose a product made to order, or receive it first."
    )


def _draft(order: Order, quote: Quote) -> OrderDraft:
    kinds = {product.kind for product in quote.wanted.lenses.values()}
    values = {eye: lens.values for eye, lens in quote.computed.lenses.items()}
    return OrderDraft(
        order_id=str(order.id),
        branch_code=order.branch.code,
        customer_id=str(order.customer_id),
        ordered_on=clock.today(order.branch.time_zone),
        age_on_day=age_on(order.customer.birth_date, clock.today(order.branch.time_zone)),
        lens_kind=computing.strictest_kind(kinds),
        right=values.get("right"),
        left=values.get("left"),
        currency=order.currency,
        total=order.total,
        prescription_issued_on=order.prescription.issued_on,
        prescription_expires_on=order.prescription.expires_on,
        warnings=tuple(warning["code"] for warning in order.warnings),
        flags=frozenset({"sight_impaired"}) if order.customer.is_sight_impaired else frozenset(),
    )


def _move(order: Order, state: OrderState, **values: Any) -> Order:
    """Lock the order, check the move against the table, write it with a new version; returns the fresh row."""
    [locked] = lock_rows(Order.objects.everywhere("by key, authorised by the caller").filter(id=order.id))
    check_move(ORDER_MOVES, locked.state, state, of=f"Order {locked.number}")
    _update(locked, state=state, **values)
    order.refresh_from_db()
    return order


def renew(order: Order) -> None:
    """A new version of a locked order: what it is shown with has changed."""
    _update(order)


def _update(order: Order, **values: Any) -> None:
    Order.objects.everywhere("by key, authorised by the caller").filter(id=order.id).update(
        version=F("version") + 1, **values
    )


def record(event_type: str, order: Order, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=document_of(order),
        actor=actor,
        branch_id=order.branch_id,
        data={"order": str(order.id), "number": order.number, **more},
    )
