"""Deposits, debts and tax: whatever happens in the shops, the reports say what the ledger says; ages by hand."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.billing import services
from opticshop.billing.models import HeldDeposit
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.money import tax_within
from opticshop.orders import services as orders
from opticshop.orders.models import Order
from opticshop.reports.figures.money import aged_debt, deposits_owed, tax_summary, uncollected
from opticshop.reports.figures.selling import sales
from opticshop.reports.registry import TOTAL, Scope
from tests.billing.books import balance
from tests.billing.test_billing_books_property import STEPS, Shop
from tests.conftest import NOON
from tests.factories import CustomerFactory, order_priced

pytestmark = pytest.mark.django_db
SYSTEM = system("test")
DAY = NOON.date()


def over(*branches, since=DAY, days=0, by="branch"):
    return Scope(since, since + dt.timedelta(days=days), branches, by)


def total(rows, column):
    return sum((row[column] for row in rows), D(0))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(STEPS, min_size=8, max_size=30))
def test_whatever_happens_the_reports_agree_with_the_ledger(mill, steps):
    with transaction.atomic():
        shop = Shop(mill)
        first = [("place", [(("standard", "20"), 16_000), (("exempt", "0"), 6_000)], 0), ("pay", 0, "0.5", "card")]
        for step in [*first, ("advance", 0, 3), ("tomorrow", 1), *steps]:
            with clock.at(NOON + dt.timedelta(days=shop.day)):
                shop.do(step)
        with clock.at(NOON + dt.timedelta(days=shop.day)):
            for order in Order.objects.everywhere("test"):
                services.supply_book(actor=SYSTEM, order=order)
            scope = over(mill, days=shop.day)
            held = sum((each.amount - each.tax for each in HeldDeposit.objects.everywhere("test")), D(0))
            assert total(deposits_owed(scope), "owed") == -balance("customer_deposits") == held
            assert total(aged_debt(scope), "owed") == balance("receivables")
            assert total(tax_summary(scope), "tax") == -balance("output_tax")
            for by in ("branch", "day", "week", "month", "person", "kind", "product", TOTAL):
                sold = sales(over(mill, days=shop.day, by=by))
                assert total(sold, "net_sales") == -balance("sales") - balance("sales_exempt"), by
            # what was so on an earlier day is still said of that day
            if shop.day > 1:
                before = {"entry__booked_on__lte": DAY}
                assert total(deposits_owed(over(mill)), "owed") == -balance("customer_deposits", **before)
                assert total(aged_debt(over(mill)), "owed") == balance("receivables", **before)
        transaction.set_rollback(True)


def ordered(branch, price, **more):
    """A frame of that price, with tax at 20 %."""
    line = ("frame", "", "A", "A (invented)", price, "standard", "20", str(tax_within(D(price), D(20), "GBP")))
    return order_priced(line, customer=CustomerFactory(branch=branch), **more)


def supplied(branch, day, price, paid="0"):
    """A pair handed over on a day, and what was paid for it that day."""
    with clock.at(NOON + dt.timedelta(days=day)):
        order = ordered(branch, price)
        if D(paid):
            services.payment_take(actor=SYSTEM, order=order, amount=D(paid), method="card")
        for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
            order = step(actor=SYSTEM, order=order)
        services.supply_book(actor=SYSTEM, order=order)
    return order


def test_a_debt_ages_by_days_since_the_customer_had_the_pair(mill, quay):
    """By hand: looked at on day 100. Mill: 200 - 50 of day 70 (30 days) = 150; 80 of day 69 (31); 40 of day 10 (90);
    10 of day 9 (91). Quay: 300 paid whole, nothing; 60 of day 40 (60 days)."""
    for branch, day, price, paid in (
        (mill, 70, "200", "50"),
        (mill, 69, "80", "0"),
        (mill, 10, "40", "0"),
        (mill, 9, "10", "0"),
        (quay, 40, "60", "0"),
        (quay, 40, "300", "300"),
    ):
        supplied(branch, day, price, paid)
    with clock.at(NOON + dt.timedelta(days=100)):
        found = {row["branch"]: row for row in aged_debt(over(mill, quay, days=100))}
    names = ("orders", "owed", "up_to_30", "up_to_60", "up_to_90", "over_90")
    assert [found[mill.code][name] for name in names] == [4, D(280), D(150), D(80), D(40), D(10)]
    assert [found[quay.code][name] for name in names] == [1, D(60), D(0), D(60), D(0), D(0)]


def test_pairs_that_lie_ready_by_days_of_waiting(mill, quay):
    """By hand: at the end of day 40 two pairs lie at mill since day 5 and 38 (35 and 2 days; half wait up to 2), one of
    them collected on day 41; one that was collected on day 39 does not lie there."""
    for ready, collected in ((5, None), (38, 41), (38, 39)):
        with clock.at(NOON + dt.timedelta(days=ready)):
            order = ordered(mill, "100")
            order = orders.order_mark_ready(actor=SYSTEM, order=orders.order_enter_workshop(actor=SYSTEM, order=order))
        if collected:
            with clock.at(NOON + dt.timedelta(days=collected)):
                orders.order_collect(actor=SYSTEM, order=order)
    [row] = uncollected(over(mill, quay, days=40))
    assert row == {
        "branch": mill.code,
        "currency": "GBP",
        "pairs": 2,
        "value": D(200),
        "waiting_p50_days": 2,
        "longest_days": 35,
        "over_30": 1,
    }


def test_the_tax_of_a_deposit_falls_due_at_once_and_that_of_the_rest_at_the_supply(mill):
    """By hand: a pair of 120.00 at 20 %: 60.00 paid on day 0 holds 50.00 net and 10.00 tax; supplied on day 1."""
    with clock.at(NOON):
        order = ordered(mill, "120")
        services.payment_take(actor=SYSTEM, order=order, amount=D(60), method="card")
        assert tax_summary(over(mill, by="rate")) == [
            {"rate": "standard-20", "currency": "GBP", "net": D(50), "tax": D(10)}
        ]
        assert deposits_owed(over(mill))[0]["owed"] == D(50)
    with clock.at(NOON + dt.timedelta(days=1)):
        for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
            order = step(actor=SYSTEM, order=order)
        services.supply_book(actor=SYSTEM, order=order)
        [both] = tax_summary(over(mill, days=1, by="rate"))
        [second] = tax_summary(over(mill, since=DAY + dt.timedelta(days=1), by="rate"))
    assert (both["net"], both["tax"], second["net"], second["tax"]) == (D(100), D(20), D(50), D(10))
