"""Money under contention, on PostgreSQL: one payment per key, never more than the total, no gap in the numbers."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal as D
from threading import Barrier
from typing import Any

import pytest
from django.db import connection, connections

from opticshop.accounts.access import actor_for
from opticshop.billing import selectors, services
from opticshop.billing.models import Payment, Receipt
from opticshop.core import actor
from opticshop.core.errors import DomainError
from opticshop.core.models import OutboxEvent
from tests.factories import OrderFactory

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
THREADS = 8
SYSTEM = actor.system("test")


@pytest.fixture(autouse=True)
def on_postgresql():
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")


def at_once(calls: list[Callable[[], Any]]) -> list[Any]:
    """Run the calls in as many threads, released together; each closes its own connection. Errors are returned."""
    gate = Barrier(len(calls))

    def run(call: Callable[[], Any]) -> Any:
        try:
            gate.wait(timeout=20)
            return call()
        except DomainError as error:
            return error
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(calls)) as pool:
        return list(pool.map(run, calls))


def test_parallel_posts_with_one_key_make_one_payment(api, clerk, mill):
    order = OrderFactory(customer__branch=mill)
    body = {"order": str(order.id), "amount": "50.00", "method": "card"}

    def post():
        return api(clerk).post("/api/v1/payments/", body, headers={"Idempotency-Key": "till-1"})

    responses = at_once([post] * 2 * 2)
    statuses = {response.status_code for response in responses}
    assert statuses <= {201, 409}
    made = {response.json()["id"] for response in responses if response.status_code == 201}
    assert len(made) == 1
    assert all(r.json()["code"] == "core.idempotency_in_progress" for r in responses if r.status_code == 409)
    assert post().json()["id"] in made, "a later repeat is answered with the first answer"
    assert Payment.objects.everywhere("test").count() == Receipt.objects.everywhere("test").count() == 1
    assert OutboxEvent.objects.filter(type="billing.payment_taken").count() == 1


def test_parallel_payments_never_exceed_the_total(api, clerk, mill):
    order = OrderFactory(customer__branch=mill)  # 220.00

    def post():
        body = {"order": str(order.id), "amount": "50.00", "method": "cash"}
        return api(clerk).post("/api/v1/payments/", body, headers={"Idempotency-Key": uuid.uuid4().hex})

    responses = at_once([post] * THREADS)
    assert sorted(response.status_code for response in responses) == [201] * 4 + [422] * 4
    assert {r.json()["code"] for r in responses if r.status_code == 422} == {"billing.more_than_due"}
    assert selectors.balance_of(order).due == D("20.00")
    assert OutboxEvent.objects.filter(type="billing.payment_taken").count() == 4


def test_parallel_refunds_never_exceed_what_was_paid(mill, manager):
    order = OrderFactory(customer__branch=mill)
    payment = services.payment_take(actor=SYSTEM, order=order, amount=D("100.00"), method="card")
    someone = actor_for(manager)
    results = at_once(
        [lambda: services.payment_refund(actor=someone, payment=payment, amount=D("30.00"), reason="test")] * THREADS
    )
    assert sum(isinstance(result, Payment) for result in results) == 3
    assert selectors.balance_of(order).paid == D("10.00")


def test_receipt_numbers_have_no_gap_and_no_double_under_eight_threads(mill):
    orders = [OrderFactory(customer__branch=mill) for _ in range(THREADS)]

    def pay_and_fail(order):
        """Three payments that stay and three that are refused, in turn."""
        for _ in range(3):
            services.payment_take(actor=SYSTEM, order=order, amount=D("1.00"), method="cash")
            with pytest.raises(services.MoreThanDue):
                services.payment_take(actor=SYSTEM, order=order, amount=D("999.00"), method="cash")

    outcomes = at_once([lambda order=order: pay_and_fail(order) for order in orders])
    assert outcomes == [None] * THREADS
    receipts = list(Receipt.objects.everywhere("test").values_list("number", flat=True))
    # Threads start without the held clock, so the year is the present one.
    assert sorted(int(number.rsplit("-", 1)[1]) for number in receipts) == list(range(1, 3 * THREADS + 1))
    assert len({number.rsplit("-", 1)[0] for number in receipts}) == 1
