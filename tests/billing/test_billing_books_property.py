"""Whatever happens in whatever order, the books balance and say what the till, the orders and the customers say.

The judge is kept by the test itself: plain sums of what the services answered, and of nothing else.
"""

from __future__ import annotations

import datetime as dt
import os
from collections import Counter, defaultdict
from decimal import ROUND_HALF_UP
from decimal import Decimal as D
from typing import Any

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from opticshop.billing import selectors, services, statements
from opticshop.billing.models import HeldDeposit, Invoice, Payment, Settlement, TillDay
from opticshop.billing.tax_parts import parts_covered, tax_summary
from opticshop.core import actor, clock, outbox
from opticshop.core.errors import DomainError
from opticshop.core.money import tax_within
from opticshop.ledger.models import Line
from opticshop.orders import services as orders
from opticshop.orders.models import Order
from tests.conftest import NOON
from tests.factories import CustomerFactory, OrderFactory

from .books import balance, cash_in_tills, unbalanced

pytestmark = pytest.mark.django_db
SYSTEM = actor.system("test")
EXAMPLES = int(os.environ.get("OPTICSHOP_BOOKS_EXAMPLES", "25"))

RATES = st.sampled_from([("standard", "20"), ("reduced", "5"), ("zero", "0"), ("exempt", "0")])
LINES = st.lists(st.tuples(RATES, st.integers(1, 30_000)), min_size=1, max_size=4)
SHARE = st.sampled_from(["0.01", "0.1", "0.33", "0.5", "0.77", "1", "1", "1"])
WHICH = st.integers(0, 7)
STEPS = st.one_of(
    st.tuples(st.just("place"), LINES, st.integers(0, 1)),
    st.tuples(st.just("pay"), WHICH, SHARE, st.sampled_from(["cash", "cash", "card", "transfer", "voucher"])),
    st.tuples(st.just("pay"), WHICH, SHARE, st.sampled_from(["cash", "cash", "card", "transfer", "voucher"])),
    st.tuples(st.just("refund"), WHICH, SHARE),
    st.tuples(st.just("advance"), WHICH, st.integers(1, 4)),
    st.tuples(st.just("cancel"), WHICH),
    st.tuples(st.just("forfeit"), WHICH, SHARE),
    st.tuples(st.just("give_up"), LINES, SHARE, SHARE, st.sampled_from(["cash", "card"])),
    st.tuples(st.just("write_off"), WHICH, SHARE, st.sampled_from(["bad_debt", "goodwill"])),
    st.tuples(st.just("undo"), WHICH),
    st.tuples(st.just("invoice"), WHICH),
    st.tuples(st.just("credit"), WHICH, SHARE),
    st.tuples(st.just("move"), st.sampled_from(["pay_in", "pay_out"]), st.integers(1, 9_999)),
    st.tuples(st.just("close"), st.integers(-500, 500), SHARE),
    st.tuples(st.just("reopen")),
    st.tuples(st.just("tomorrow"), st.integers(1, 3)),
    st.tuples(st.just("deliver")),
)


class Shop:
    """Carries steps out through the services and keeps its own sums of what they answered."""

    def __init__(self, branch: Any) -> None:
        self.branch, self.day = branch, 0
        self.customers = [CustomerFactory(branch=branch) for _ in range(2)]
        self.orders: list[Order] = []
        self.by_method: Counter[str] = Counter()
        self.from_bank = D(0)

    def amount(self, share: str, whole: D) -> D:
        return max(D("0.01"), (whole * D(share)).quantize(D("0.01"), ROUND_HALF_UP))

    def order(self, which: int) -> Order:
        return Order.objects.everywhere("test").get(id=self.orders[which % len(self.orders)].id)

    def do(self, step: tuple[Any, ...]) -> None:
        name, *rest = step
        if not self.orders and name not in {"place", "move", "close", "tomorrow"}:
            return
        before = list(self.orders), self.by_method.copy()
        try:
            with transaction.atomic():
                getattr(self, name)(*rest)
            event(name)
        except DomainError as refused:
            self.orders, self.by_method = before
            event(f"{name}: {refused.code}")

    def place(self, lines: list[Any], whose: int) -> None:
        priced = []
        for (category, rate), pennies in lines:
            gross = D(pennies) / 100
            tax = tax_within(gross, D(rate), "GBP")
            priced.append(("frame", "", "A", "A (invented)", str(gross), category, rate, str(tax)))
        self.orders.append(OrderFactory(customer=self.customers[whose], priced=priced, lines=priced))

    def pay(self, which: int, share: str, method: str) -> None:
        order = self.order(which)
        due = selectors.balance_of(order).due
        payment = services.payment_take(actor=SYSTEM, order=order, amount=self.amount(share, due), method=method)
        self.by_method[method] += payment.amount

    def refund(self, which: int, share: str) -> None:
        taken = list(Payment.objects.everywhere("test").filter(amount__gt=0).order_by("id"))
        if taken:
            payment = taken[which % len(taken)]
            wanted = self.amount(share, payment.amount) if share != "1" else None
            back = services.payment_refund(actor=SYSTEM, payment=payment, amount=wanted, reason="test")
            self.by_method[back.method] += back.amount

    def advance(self, which: int, steps: int) -> None:
        order = self.order(which)
        move = {
            "placed": orders.order_enter_workshop,
            "in_workshop": orders.order_mark_ready,
            "ready": orders.order_collect,
            "collected": orders.order_enter_workshop,  # a remake
        }
        for _ in range(steps):
            if order.state in move:
                order = move[order.state](actor=SYSTEM, order=order)

    def cancel(self, which: int) -> None:
        orders.order_cancel(actor=SYSTEM, order=self.order(which), reason="test")

    def forfeit(self, which: int, share: str) -> None:
        order = self.order(which)
        held = self.amount(share, selectors.balance_of(order).repayable)
        services.deposit_forfeit(actor=SYSTEM, order=order, amount=held, reason="test")

    def give_up(self, lines: list[Any], paid: str, kept: str, method: str) -> None:
        """Placed, paid for in part, called off, and some of the deposit kept: chance alone seldom gets there."""
        self.place(lines, 1)
        order = self.orders[-1]
        amount = self.amount(paid, order.total)
        services.payment_take(actor=SYSTEM, order=order, amount=amount, method=method)
        self.by_method[method] += amount
        orders.order_cancel(actor=SYSTEM, order=order, reason="test")
        order.refresh_from_db()
        services.deposit_forfeit(actor=SYSTEM, order=order, amount=self.amount(kept, amount), reason="test")

    def write_off(self, which: int, share: str, borne_as: str) -> None:
        order = self.order(which)
        amount = self.amount(share, selectors.balance_of(order).due)
        services.debt_write_off(actor=SYSTEM, order=order, amount=amount, borne_as=borne_as, reason="test")

    def undo(self, which: int) -> None:
        settled = list(Settlement.objects.everywhere("test").order_by("id"))
        if settled:
            services.settlement_undo(actor=SYSTEM, settlement=settled[which % len(settled)], reason="test")

    def invoice(self, which: int) -> None:
        services.invoice_issue(actor=SYSTEM, order=self.order(which))

    def credit(self, which: int, share: str) -> None:
        issued = list(Invoice.objects.everywhere("test").order_by("id"))
        if issued:
            invoice = issued[which % len(issued)]
            amount = self.amount(share, invoice.total)
            services.credit_note_issue(actor=SYSTEM, invoice=invoice, amount=amount, reason="test")

    def move(self, way: str, pennies: int) -> None:
        use = services.till_pay_in if way == "pay_in" else services.till_pay_out
        day = services.till_day_use(actor=SYSTEM, branch=self.branch)
        amount = D(pennies) / 100
        use(actor=SYSTEM, till_day=day, amount=amount, purpose="bank", reason="test")
        self.from_bank += amount if way == "pay_in" else -amount

    def close(self, wrong: int, share: str) -> None:
        day = services.till_day_use(actor=SYSTEM, branch=self.branch)
        found = max(D(0), selectors.expected_cash(day) + D(wrong) / 100)
        services.till_count(actor=SYSTEM, till_day=day, amount=found)
        banked = (found * D(share)).quantize(D("0.01"), ROUND_HALF_UP)
        services.till_close(actor=SYSTEM, till_day=day, banked=banked)
        self.from_bank -= banked

    def reopen(self) -> None:
        last = TillDay.objects.everywhere("test").order_by("-day").first()
        if last is not None:
            services.till_reopen(actor=SYSTEM, till_day=last, reason="test")

    def tomorrow(self, days: int) -> None:
        self.day += days

    def deliver(self) -> None:
        outbox.deliver_all()


def judge(shop: Shop) -> None:
    assert unbalanced() == []
    roles = Line.objects.everywhere("test").order_by().values_list("account__role", flat=True).distinct()
    everything = [balance(role) for role in roles]
    assert sum(everything) == 0, "debits are credits"
    paid, credited, written, kept = (defaultdict[Any, D](D) for _ in range(4))
    for payment in Payment.objects.everywhere("test"):
        paid[payment.order_id] += payment.amount
        credited[payment.order_id] -= payment.amount if payment.lowers_price else 0
    for settled in Settlement.objects.everywhere("test"):
        (kept if settled.kind == "forfeit" else written)[settled.order_id] += settled.amount
    held, held_tax, owed, sold, by_customer = D(0), D(0), D(0), D(0), defaultdict[Any, D](D)
    for order in Order.objects.everywhere("test").prefetch_related("lines"):
        if order.collected_at is not None:
            due = order.total - credited[order.id] - written[order.id] - paid[order.id]
            owed, sold = owed + due, sold + order.total - credited[order.id]
            by_customer[order.customer_id] += due
        else:
            here = paid[order.id] + written[order.id] - kept[order.id]
            held += here
            held_tax += sum((p.tax for p in parts_covered(tax_summary(order.lines.all(), "GBP"), here, "GBP")), D(0))
            by_customer[order.customer_id] -= here
            row = HeldDeposit.objects.everywhere("test").filter(order=order).first()
            assert (row.amount if row else 0) == here, "the list of held deposits is in step"
    assert balance("customer_deposits") == -(held - held_tax), "deposits owed are the open deposits less their tax"
    assert balance("receivables") == owed, "receivables are what is owed for pairs supplied"
    for customer in shop.customers:
        said = statements.statement_of(SYSTEM, customer)
        assert said.balance == by_customer[customer.id] == sum((line.amount for line in said.lines), D(0))
        party = f"customers/{customer.id}"
        net = balance("receivables", party=party) + balance("customer_deposits", party=party)
        tax = sum((row.tax for row in HeldDeposit.objects.everywhere("test").filter(order__customer=customer)), D(0))
        assert net - tax == by_customer[customer.id], "the party's lines are the customer's balance"
    assert balance("cash") == cash_in_tills(), "the cash account is what the tills should hold"
    assert balance("card_clearing") == shop.by_method["card"]
    assert balance("scheme_claims") == shop.by_method["voucher"]
    assert balance("bank") == shop.by_method["transfer"] - shop.from_bank
    difference = balance("till_difference")
    assert balance("cash") == shop.by_method["cash"] + shop.from_bank - difference
    income = balance("sales") + balance("sales_exempt") + balance("output_tax") + balance("forfeited_deposits")
    assert -income == sold + held_tax + sum(kept.values(), D(0)), "sales, tax and deposits kept are all there is"
    assert balance("bad_debts") + balance("goodwill") == sum(written.values(), D(0))


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(STEPS, min_size=8, max_size=30))
@example(
    steps=[
        ("give_up", [(("standard", "20"), 28_300), (("exempt", "0"), 6_000)], "0.5", "0.33", "cash"),
        ("refund", 0, "0.1"),
        ("undo", 0),
        ("pay", 0, "0.5", "card"),
        ("cancel", 0),
        ("forfeit", 0, "1"),
        ("close", -150, "1"),
    ]
)
def test_any_sequence_leaves_the_books_in_agreement(mill, steps):
    with transaction.atomic():
        shop = Shop(mill)
        for step in [("place", [(("standard", "20"), 16_000), (("exempt", "0"), 6_000)], 0), *steps]:
            with clock.at(NOON + dt.timedelta(days=shop.day)):
                shop.do(step)
        with clock.at(NOON + dt.timedelta(days=shop.day)):
            for order in Order.objects.everywhere("test"):
                services.supply_book(actor=SYSTEM, order=order)
            judge(shop)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # the ledger's own judge, at once
        transaction.set_rollback(True)
