"""Many clients at one branch: receipt, invoice, credit note and journal numbers without a gap although transactions
roll back; no voucher redeemed twice; nothing posted into a till day that is being closed.

On PostgreSQL 64 clients, each a thread with a connection of its own (OPTICSHOP_MONEY_CLIENTS); on SQLite, where one
transaction has the file for itself, six.
"""

from __future__ import annotations

import datetime as dt
import os
import random
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from decimal import Decimal as D
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, connections, transaction

from opticshop.billing import selectors, services
from opticshop.billing.models import Invoice, Payment, Receipt, TillDay
from opticshop.config.problems import problem_for
from opticshop.core import actor, clock
from opticshop.core.errors import DomainError
from opticshop.ledger.models import Entry
from opticshop.prices.vouchers_models import SchemeVoucher
from tests.conftest import NOON
from tests.factories import CustomerFactory, OrderFactory

from .books import balance, cash_in_tills, unbalanced

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
SYSTEM = actor.system("test")
MOST_TRIES = 300


@pytest.fixture
def clients(crowd: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[Any]]:
    """``clients(work)``: ``work(number, ask)`` by every client at once; returns what each returned."""
    many = int(os.environ.get("OPTICSHOP_MONEY_CLIENTS", "64")) if connection.vendor == "postgresql" else 6

    def run(work: Callable[[int, Any], Any]) -> list[Any]:
        if connection.vendor == "sqlite":
            path = tmp_path / "money.sqlite3"
            with closing(sqlite3.connect(path)) as copy:
                connection.connection.backup(copy)
                copy.execute("PRAGMA journal_mode=WAL")
            monkeypatch.setitem(connections.settings["default"], "NAME", str(path))
        gate = threading.Barrier(many)

        def client(number: int) -> Any:
            chance = random.Random(number)

            def ask(call: Callable[[], Any]) -> Any:
                """As a client of the API: told that rows are busy it asks again; a 5xx other than that is a failure."""
                for attempt in range(MOST_TRIES):
                    try:
                        return call()
                    except Exception as error:
                        answer = problem_for(error, {})
                        assert answer is not None
                        if answer.status_code >= 500 and answer.status_code != 503:
                            raise AssertionError(f"answered {answer.status_code}") from error
                        if answer.status_code != 503:
                            raise
                        time.sleep(chance.random() * 0.02 * (attempt + 1))
                raise AssertionError("busy for ever")

            try:
                gate.wait(60)
                with clock.at(NOON):
                    return work(number, ask)
            finally:
                connections.close_all()

        with ThreadPoolExecutor(many) as pool:
            return list(pool.map(client, range(many)))

    run.many = many  # type: ignore[attr-defined]
    return run


def seen_by_another_thread(look: Callable[[], Any]) -> Any:
    """The tables as the clients left them; on SQLite theirs is another file than this thread's."""
    with ThreadPoolExecutor(1) as pool:

        def run() -> Any:
            try:
                return look()
            finally:
                connections.close_all()

        return pool.submit(run).result()


def numbers(rows: Any) -> list[int]:
    return sorted(int(number.rsplit("-", 1)[1]) for number in rows.values_list("number", flat=True))


def test_no_number_is_skipped_or_given_twice_although_transactions_roll_back(mill, clients):
    orders = [OrderFactory(customer__branch=mill) for _ in range(clients.many)]

    def trade(number: int, ask: Any) -> Counter[str]:
        order, done = orders[number], Counter[str]()

        def dropped(call: Callable[[], Any]) -> None:
            """Everything is done, numbers and all, and then the transaction is lost."""
            with transaction.atomic():
                call()
                transaction.set_rollback(True)

        def pay() -> Any:
            return services.payment_take(actor=SYSTEM, order=order, amount=D("10.00"), method="cash")

        def bill() -> Any:
            return services.invoice_issue(actor=SYSTEM, order=order)

        ask(lambda: dropped(pay))
        payment = ask(pay)
        ask(lambda: dropped(bill))
        invoice = ask(bill)
        if number % 2:
            ask(lambda: services.payment_refund(actor=SYSTEM, payment=payment, amount=D("4.00"), reason="test"))
            done["refunds"] += 1
        if number % 3 == 0:
            ask(lambda: services.credit_note_issue(actor=SYSTEM, invoice=invoice, amount=D("1.00"), reason="test"))
            done["notes"] += 1
        with pytest.raises(services.MoreThanDue):
            ask(lambda: services.payment_take(actor=SYSTEM, order=order, amount=D("999.00"), method="cash"))
        ask(lambda: dropped(pay))
        return done

    done = sum(clients(trade), Counter())

    def look() -> None:
        many = clients.many
        invoices = Invoice.objects.everywhere("test")
        assert numbers(Receipt.objects.everywhere("test")) == list(range(1, many + done["refunds"] + 1))
        assert numbers(invoices.filter(kind="invoice")) == list(range(1, many + 1))
        assert numbers(invoices.filter(kind="credit_note")) == list(range(1, done["notes"] + 1))
        assert numbers(Entry.objects.everywhere("test")) == list(range(1, many + done["refunds"] + 1))
        assert unbalanced() == []
        assert balance("cash") == D(10 * many - 4 * done["refunds"]) == cash_in_tills()

    seen_by_another_thread(look)


def test_one_voucher_pays_for_one_order_only(mill, clients):
    customer = CustomerFactory(branch=mill)
    orders = [OrderFactory(customer=customer) for _ in range(clients.many)]
    voucher = SchemeVoucher.objects.create(
        branch=mill,
        customer=customer,
        scheme="test",
        nation="GB-ENG",
        reference="V-1",
        issued_on=dt.date(2026, 3, 1),
        band="A",
        eligibility="test",
        evidence="test",
        evidence_seen_at=NOON,
        face_value=D("42.40"),
        currency="GBP",
    )

    def redeem(number: int, ask: Any) -> Any:
        mine = SchemeVoucher.objects.everywhere("test").select_related("branch").get(id=voucher.id)
        try:
            return ask(
                lambda: services.payment_take(actor=SYSTEM, order=orders[number], method="voucher", voucher=mine)
            ).amount
        except DomainError as refused:
            return refused.code

    answers = Counter(clients(redeem))
    assert answers == {D("42.40"): 1, "prices.voucher_not_open": clients.many - 1}

    def look() -> None:
        assert Payment.objects.everywhere("test").count() == 1
        assert balance("scheme_claims") == D("42.40")
        assert SchemeVoucher.objects.everywhere("test").get().state == "redeemed"

    seen_by_another_thread(look)


def test_nothing_slips_into_a_till_day_while_it_is_closed(mill, clients):
    orders = [OrderFactory(customer__branch=mill) for _ in range(clients.many)]
    day = services.till_open(actor=SYSTEM, branch=mill, amount=D("60.00"))

    def work(number: int, ask: Any) -> str:
        try:
            if number % 8 == 7:
                ask(lambda: count_and_close())
                return "closed"
            ask(lambda: services.payment_take(actor=SYSTEM, order=orders[number], amount=D("5.00"), method="cash"))
            return "paid"
        except DomainError as refused:
            return refused.code

    def count_and_close() -> None:
        with transaction.atomic():
            held = services.till_day_use(actor=SYSTEM, branch=mill)
            services.till_count(actor=SYSTEM, till_day=held, amount=selectors.expected_cash(held))
            services.till_close(actor=SYSTEM, till_day=held)

    answers = Counter(clients(work))
    shut = 1 if clients.many > 7 else 0
    assert answers["closed"] == shut
    assert answers["paid"] + answers["closed"] + answers["billing.till_day_closed"] == clients.many

    def look() -> None:
        left = TillDay.objects.everywhere("test").get(id=day.id)
        assert balance("cash") == D("60.00") + 5 * answers["paid"] == cash_in_tills()
        assert left.left_over in (None, balance("cash"))

    seen_by_another_thread(look)


def test_the_first_money_of_a_day_makes_one_day_however_many_come_at_once(mill, clients):
    orders = [OrderFactory(customer__branch=mill) for _ in range(clients.many)]
    clients(
        lambda number, ask: ask(
            lambda: services.payment_take(actor=SYSTEM, order=orders[number], amount=D("5.00"), method="cash")
        )
    )

    def look() -> None:
        assert TillDay.objects.everywhere("test").count() == 1
        assert balance("cash") == D(5 * clients.many) == cash_in_tills()

    seen_by_another_thread(look)
