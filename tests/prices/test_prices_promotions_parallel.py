"""Promotions and vouchers under contention: no promotion over its limit, no voucher paying twice.

On PostgreSQL 64 clients, each a thread with a connection of its own; on SQLite, where one transaction has the file for
itself, a handful on one file.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing
from decimal import Decimal as D

import pytest
from django.db import connection, connections, transaction

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.prices import promotions_services as promotions
from opticshop.prices import vouchers_problems as problems
from opticshop.prices import vouchers_services as vouchers
from opticshop.prices.models import Promotion, PromotionUse, SchemeVoucher
from tests.factories import CustomerFactory
from tests.together import afterwards, at_once

pytestmark = pytest.mark.django_db(transaction=True)
TILL = system("till")


@pytest.fixture
def clients(crowd: None) -> int:
    return 64 if connection.vendor == "postgresql" else 6


@pytest.fixture
def meet(tmp_path, monkeypatch):
    """Call it when the rows are there: from then on the threads see them, on SQLite in a copy of the database."""
    with closing(sqlite3.connect(tmp_path / "tills.sqlite3")) as copy:

        def open_it() -> None:
            if connection.vendor != "sqlite":
                return
            connection.connection.backup(copy)
            copy.execute("PRAGMA journal_mode=WAL")
            monkeypatch.setitem(connections.settings["default"], "NAME", str(tmp_path / "tills.sqlite3"))

        yield open_it


def offer(**terms):
    return promotions.promotion_create(
        actor=TILL,
        code="RUSH",
        name="Invented",
        kind="fixed",
        amount=D("5.00"),
        currency="GBP",
        valid_from=dt.date(2026, 1, 1),
        **terms,
    )


def use(mill, customer, document):
    with transaction.atomic():
        return promotions.promotion_use(
            actor=TILL,
            promotion="RUSH",
            branch=mill,
            customer=customer,
            document=document,
            total=D("100.00"),
            is_complete_pair=True,
        )


def test_a_promotion_is_never_given_beyond_its_limit(mill, clients, meet):
    limit = clients // 3
    offer(use_limit=limit)
    customers = [CustomerFactory(branch=mill) for _ in range(clients)]
    meet()
    jobs = [lambda n=n, c=c: use(mill, c, f"orders/{n}") for n, c in enumerate(customers)]
    outcomes = at_once(jobs)
    assert sum(isinstance(outcome, PromotionUse) for outcome in outcomes) == limit, outcomes
    refused = [outcome for outcome in outcomes if isinstance(outcome, promotions.PromotionNotApplicable)]
    assert len(refused) == clients - limit
    assert {refusal.extra["refusals"][0]["reason"] for refusal in refused} == {"used_up"}

    def look():
        events = OutboxEvent.objects.filter(type="prices.promotion_used").count()
        return Promotion.objects.get().limit_used, PromotionUse.objects.everywhere("test").count(), events

    assert afterwards(look) == (limit, limit, limit)


def test_one_customer_at_many_tills_has_it_once(mill, clients, meet):
    offer(once_per_customer=True, use_limit=clients)
    customer = CustomerFactory(branch=mill)
    meet()
    outcomes = at_once([lambda n=n: use(mill, customer, f"orders/{n}") for n in range(clients)])
    assert sum(isinstance(outcome, PromotionUse) for outcome in outcomes) == 1, outcomes
    assert sum(isinstance(outcome, promotions.PromotionNotApplicable) for outcome in outcomes) == clients - 1, outcomes
    assert afterwards(lambda: Promotion.objects.get().limit_used) == 1


def test_what_is_given_back_at_once_is_given_back_once(mill, clients, meet):
    offer(use_limit=3)
    use(mill, CustomerFactory(branch=mill), "orders/1")
    meet()
    outcomes = at_once([lambda: promotions.promotion_give_back(actor=TILL, document="orders/1")] * clients)
    assert sorted(outcomes)[-2:] == [0, 1], outcomes
    assert sum(outcomes) == 1
    assert afterwards(lambda: Promotion.objects.get().limit_used) == 0


def test_a_voucher_pays_one_of_many_orders(grant, clients, meet):
    voucher = grant("V-1")
    meet()

    def pay(number):
        def till():
            ours = vouchers_read(voucher.id)
            return vouchers.voucher_redeem(
                actor=TILL, voucher=ours, order_total_due=D("30.00"), document=f"orders/{number}"
            )

        return till

    outcomes = at_once([pay(number) for number in range(clients)])
    assert [outcome for outcome in outcomes if isinstance(outcome, D)] == [D("30.00")], outcomes
    assert sum(isinstance(outcome, problems.VoucherNotOpen) for outcome in outcomes) == clients - 1

    def look():
        row = vouchers_read(voucher.id)
        return row.state, row.redeemed_amount, OutboxEvent.objects.filter(type="prices.voucher_redeemed").count()

    assert afterwards(look) == ("redeemed", D("30.00"), 1)


def test_redeemed_and_put_back_by_many_it_is_never_in_two_places(grant, clients, meet):
    """Each pays with it and takes it back, over and over; whoever has it alone has it."""
    voucher, turns = grant("V-1"), 4
    meet()

    def till(number):
        def afternoon():
            paid = 0
            for turn in range(turns):
                document = f"orders/{number}-{turn}"
                try:
                    vouchers.voucher_redeem(
                        actor=TILL, voucher=vouchers_read(voucher.id), order_total_due=D(50), document=document
                    )
                except problems.VoucherNotOpen:
                    continue
                held = vouchers_read(voucher.id)
                assert (held.state, held.document) == ("redeemed", document)
                vouchers.voucher_put_back(actor=TILL, voucher=held, document=document)
                paid += 1
            return paid

        return afternoon

    outcomes = at_once([till(number) for number in range(clients)])
    assert all(isinstance(outcome, int) for outcome in outcomes), outcomes
    assert sum(outcomes) >= 1

    def look():
        redeemed, back = "prices.voucher_redeemed", "prices.voucher_put_back"
        told = [OutboxEvent.objects.filter(type=kind).count() for kind in (redeemed, back)]
        return vouchers_read(voucher.id).state, told

    assert afterwards(look) == ("issued", [sum(outcomes), sum(outcomes)])


def vouchers_read(voucher_id):
    return SchemeVoucher.objects.everywhere("test").get(id=voucher_id)
