"""Two branches at work: everything that may be done to an order, its money, its stock and its jobs, in any order.

Each act is one use case through its service, by a person who may do it. What is refused has changed nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.db import transaction

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import Membership, Role
from opticshop.billing import selectors as money
from opticshop.billing import services as billing
from opticshop.billing.models import Invoice, Payment, Settlement
from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.core.models import OutboxEvent
from opticshop.orders import replacing
from opticshop.orders import services as orders
from opticshop.orders.models import Order
from opticshop.purchasing.models import Offer, Supplier
from opticshop.stock import services as stock
from opticshop.stock.models import Lot, StockCount, StockItem, Transfer, TransferLine
from opticshop.stock.sections import Section
from opticshop.workshop import selectors as bench
from opticshop.workshop.models import Job
from tests.conftest import NOON
from tests.factories import CustomerFactory, LensProductFactory, LensSurfaceFactory, UserFactory
from tests.orders.conftest import World, build, measure, prescribe, receive
from tests.purchasing.conftest import price

SEEN = {name: {"ok": True} for name in ("surfaces", "edges_and_bevel", "fit_in_rim", "strain", "alignment", "screws")}
#: What the lenses of the ordinary pair and of the near pair are, by sphere and cylinder.
POWERS = (("-4.00", "-1.00"), ("-4.50", "0.00"), ("-2.00", "-1.00"), ("-2.50", "0.00"))


@dataclass
class Place:
    """Two branches with a customer each, and what both sell."""

    worlds: list[World]
    special: LensProduct
    items: list[StockItem]
    people: list[Actor]

    @property
    def branches(self) -> list[Branch]:
        return [world.branch for world in self.worlds]


def place_for(mill: Branch, quay: Branch) -> Place:
    """Four powers and the frame in the drawers, fewer at the second branch; a supplier for special lenses."""
    here = build(mill)
    other = CustomerFactory(branch=quay)
    there = World(quay, other, prescribe(other), measure(other, frame=here.frame), here.frame, here.lens)
    special = LensProductFactory(
        kind="power_variation",
        supply="made_to_order",
        sphere_min_dpt=Decimal(-10),
        addition_min_dpt=Decimal("0.75"),
        addition_max_dpt=Decimal("3.50"),
        minimum_fitting_height_mm=Decimal(18),
    )
    LensSurfaceFactory(product=special, sphere_from_dpt=Decimal(-10))
    maker = Supplier.objects.create(name="Rowan Surfacing (invented)", lead_time_days=7)
    price(Offer.objects.create(supplier=maker, lens=special, is_preferred=True, lead_time_days=5), "38.50")
    powers = [(Decimal(sphere), Decimal(cylinder)) for sphere, cylinder in POWERS]
    items = [stock.frame_item_ensure(here.frame), *(stock.lens_item_ensure(here.lens, *power) for power in powers)]
    for item in items:
        receive(mill, item, 2)
        receive(quay, item, 1)
    people = []
    for name in ("first", "second"):
        user = UserFactory(username=name, registration_number=f"D-{name} (invented)")
        for role in Role.values:
            for branch in (mill, quay):
                Membership.objects.create(user=user, role=role, branch=branch)
        people.append(actor_for(user))
    return Place([here, there], special, items, people)


class Shop:
    """Carries acts out; ``refusals`` are the codes of what was refused, ``done`` the names of what was done."""

    def __init__(self, place: Place, look: Callable[[], None] = lambda: None) -> None:
        """``look`` is called after each act; events are heard at once where the shop ``is_prompt``, else later."""
        self.place, self.look, self.now, self.is_prompt = place, look, NOON, False
        self.done: list[str] = []
        self.refusals: list[str] = []

    # --- how an act is carried out ----------------------------------------------------------------------------------

    def act(self, name: str, call: Callable[[], Any], *, may_be_silent: bool = False) -> bool:
        """True if it was done, False if it was refused; what was done has left an event, what was refused none."""
        self.now += dt.timedelta(minutes=1)
        with clock.at(self.now):
            before, refusal = OutboxEvent.objects.count(), None
            try:
                with transaction.atomic():
                    call()
            except DomainError as refused:
                refusal = refused
            left = OutboxEvent.objects.count() - before
            if refusal is not None:
                assert refusal.status < 500, f"{name}: {refusal!r}"
                assert not left, f"{name}, refused, has left an event"
                self.refusals.append(f"{name}: {refusal.code}")
                return False
            assert left or may_be_silent, f"{name} has left no event"
            self.done.append(name)
            self.look()
            if self.is_prompt:
                outbox.deliver_all()
        return True

    def person(self, which: int) -> Actor:
        return self.place.people[which % len(self.place.people)]

    @property
    def boss(self) -> Actor:
        return self.place.people[0]

    def one(self, rows: Any, which: int) -> Any:
        """A row of those there are, None if there is none; the newest come first."""
        found = list(rows.order_by("-id")[:6])
        return found[which % len(found)] if found else None

    def order(self, which: int, *states: str) -> Order | None:
        rows = Order.objects.everywhere("test").select_related("branch", "customer", "frame")
        return self.one(rows.filter(state__in=states) if states else rows, which)

    def job(self, which: int, *states: str) -> Job | None:
        rows = Job.objects.everywhere("test").select_related("branch", "order__branch", "order__frame")
        return self.one(rows.filter(state__in=states or bench.LIVE_STATES), which)

    def deliver(self) -> None:
        with clock.at(self.now):
            outbox.deliver_all()

    def tomorrow(self, days: int) -> None:
        self.now += dt.timedelta(days=days)

    # --- stock ------------------------------------------------------------------------------------------------------

    def receive(self, branch: int, item: int, quantity: int, code: str) -> None:
        self.act("receive", lambda: stock.goods_receive(
            actor=self.boss, branch=self.place.branches[branch], item=self.place.items[item % len(self.place.items)],
            lot_code=code, quantity=quantity, unit_cost=Decimal("4.00"), document="receipts/test",
        ))  # fmt: skip

    def lot(self, which: int) -> Lot | None:
        return self.one(Lot.objects.everywhere("test").select_related("branch", "item"), which)

    def write_off(self, which: int, quantity: int) -> None:
        if lot := self.lot(which):
            self.act("write_off", lambda: stock.lot_write_off(actor=self.boss, lot=lot, quantity=quantity, reason="t"))

    def quarantine(self, which: int) -> None:
        if lot := self.lot(which):
            use = stock.lot_quarantine_lift if lot.is_quarantined else stock.lot_quarantine
            self.act("quarantine", lambda: use(actor=self.boss, lot=lot, reason="test"))

    def count(self, which: int, variance: int, approve: bool) -> None:
        """A sheet with one lot, counted with a difference, accepted or thrown away."""
        if not (lot := self.lot(which)):
            return

        def counted() -> None:
            sheet = stock.count_open(actor=self.boss, branch=lot.branch, section=Section(items=(lot.id,)))
            stock.count_record(actor=self.boss, count=sheet, lot=lot, counted=max(0, lot.on_hand + variance))
            stock.count_submit(actor=self.boss, count=sheet)

        if self.act("count", counted):
            sheet = self.one(StockCount.objects.everywhere("test"), 0)
            decide = stock.count_approve if approve else stock.count_cancel
            if not self.act("count_decided", lambda: decide(actor=self.boss, count=sheet, reason="test")):
                self.act("count_cancelled", lambda: stock.count_cancel(actor=self.boss, count=sheet, reason="test"))

    def send(self, sender: int, item: int, quantity: int) -> None:
        wanted = [(self.place.items[item % len(self.place.items)], quantity)]
        ends = {"sender": self.place.branches[sender], "receiver": self.place.branches[1 - sender]}

        def sent() -> None:
            drafted = stock.transfer_draft(actor=self.boss, **ends, wanted=wanted)
            stock.transfer_send(actor=self.boss, transfer=drafted)

        self.act("send", sent)

    def arrive(self, which: int, quantity: int, end: str) -> None:
        """Of a transfer under way some pieces arrive, are lost or come back."""
        transfer = self.one(Transfer.objects.everywhere("test").filter(state__in=["sent", "part_received"]), 0)
        line = transfer and self.one(TransferLine.objects.everywhere("test").filter(transfer=transfer), which)
        if not line:
            return
        pieces = {line.id: quantity}
        calls = {
            "arrive": lambda: stock.transfer_receive(actor=self.boss, transfer=transfer, arrived=pieces),
            "lose": lambda: stock.transfer_lose(actor=self.boss, transfer=transfer, lost=pieces, reason="test"),
            "back": lambda: stock.transfer_take_back(
                actor=self.boss, transfer=transfer, returned=pieces, reason="test"
            ),
        }
        self.act(f"transfer_{end}", calls[end])

    # --- orders -----------------------------------------------------------------------------------------------------

    def wanted(self, branch: int, kind: str) -> orders.Wanted:
        world = self.place.worlds[branch]
        lens = self.place.special if kind == "special" else world.lens
        lenses = {"right": lens} if kind == "one_eye" else {"right": lens, "left": lens}
        if kind == "mixed":
            lenses["left"] = self.place.special
        return orders.Wanted(
            branch=world.branch, customer=world.customer, prescription=world.prescription,
            measurement=world.measurement, frame=world.frame, lenses=lenses,
            purpose="near" if kind == "near" else "distance", frame_is_customers=kind == "own_frame",
        )  # fmt: skip

    def place_order(self, branch: int, kind: str) -> bool:
        wanted = self.wanted(branch, kind)
        return self.act(f"place_{kind}", lambda: orders.order_place(actor=self.boss, wanted=wanted))

    def cancel(self, which: int) -> None:
        if order := self.order(which):
            self.act("cancel", lambda: orders.order_cancel(actor=self.boss, order=order, reason="test"))

    def replace(self, which: int, kind: str) -> None:
        if order := self.order(which):
            wanted = self.wanted(self.place.branches.index(order.branch), kind)
            self.act("replace", lambda: replacing.order_replace(
                actor=self.boss, order=order, wanted=wanted, reason="test", cause="wrong_product",
            ))  # fmt: skip

    def promise(self, which: int, days: int) -> None:
        if order := self.order(which):
            day = self.now.date() + dt.timedelta(days=days)
            self.act("promise", lambda: orders.order_promise(
                actor=self.boss, order=order, promised_on=day, reason="test",
            ))  # fmt: skip

    # --- money ------------------------------------------------------------------------------------------------------

    @staticmethod
    def share(whole: Decimal, part: int) -> Decimal:
        return max(Decimal("0.01"), (whole * part / 100).quantize(Decimal("0.01"), ROUND_HALF_UP))

    def pay(self, which: int, part: int, method: str) -> None:
        if order := self.order(which):
            self.pay_order(order, part, method)

    def pay_order(self, order: Order, part: int, method: str) -> None:
        amount = self.share(money.balance_of(order).due, part)
        self.act("pay", lambda: billing.payment_take(actor=self.boss, order=order, amount=amount, method=method))

    def refund(self, which: int, part: int) -> None:
        paid = Payment.objects.everywhere("test").exclude(kind="refund").select_related("branch", "order")
        if payment := self.one(paid, which):
            amount = None if part == 100 else self.share(payment.amount, part)
            self.act("refund", lambda: billing.payment_refund(
                actor=self.boss, payment=payment, amount=amount, reason="test",
            ))  # fmt: skip

    def settle(self, which: int, part: int, kind: str) -> None:
        if not (order := self.order(which)):
            return
        balance = money.balance_of(order)
        if kind == "forfeit":
            amount = self.share(balance.repayable, part)
            call = lambda: billing.deposit_forfeit(actor=self.boss, order=order, amount=amount, reason="test")  # noqa: E731
        else:
            amount = self.share(balance.due, part)
            call = lambda: billing.debt_write_off(  # noqa: E731
                actor=self.boss, order=order, amount=amount, borne_as=kind, reason="test"
            )
        self.act(kind, call)

    def unsettle(self, which: int) -> None:
        if found := self.one(Settlement.objects.everywhere("test"), which):
            self.act("unsettle", lambda: billing.settlement_undo(actor=self.boss, settlement=found, reason="test"))

    def invoice(self, which: int) -> None:
        if order := self.order(which):
            self.act("invoice", lambda: billing.invoice_issue(actor=self.boss, order=order))

    def credit(self, which: int, part: int) -> None:
        if invoice := self.one(Invoice.objects.everywhere("test"), which):
            amount = self.share(abs(invoice.total), part)
            self.act("credit", lambda: billing.credit_note_issue(
                actor=self.boss, invoice=invoice, amount=amount, reason="test",
            ))  # fmt: skip
