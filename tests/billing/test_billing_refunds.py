"""Giving money back through the API."""

from __future__ import annotations

import uuid
from decimal import Decimal as D

import pytest

from opticshop.billing import selectors, services
from opticshop.billing.models import Payment, Receipt
from opticshop.core import actor
from opticshop.core.models import OutboxEvent
from tests.factories import OrderFactory

pytestmark = pytest.mark.django_db
SYSTEM = actor.system("test")


@pytest.fixture
def order(mill):
    return OrderFactory(customer__branch=mill)


@pytest.fixture
def payment(order):
    return services.payment_take(actor=SYSTEM, order=order, amount=D("100.00"), method="cash")


def give_back(client, payment, key=None, **body):
    body = {"reason": "frame exchanged"} | body
    url = f"/api/v1/payments/{payment.id}/refund/"
    return client.post(url, body, headers={"Idempotency-Key": key or uuid.uuid4().hex})


def refunds():
    return Payment.objects.everywhere("test").filter(kind="refund")


def test_a_part_is_given_back_by_the_method_it_was_paid_with(api, manager, order, payment):
    response = give_back(api(manager), payment, amount="30.00")
    assert response.status_code == 201, response.content
    answer = response.json()
    assert (answer["kind"], answer["amount"], answer["method"]) == ("refund", "-30.00", "cash")
    assert (answer["refunds"], answer["reason"]) == (str(payment.id), "frame exchanged")
    assert answer["receipt"]["number"] == "MILL-R-2026-00002"
    assert selectors.balance_of(order).due == D("150.00")
    event = OutboxEvent.objects.get(type="billing.payment_refunded")
    assert event.data["amount"] == "-30.00"
    assert event.data["refunds"] == str(payment.id)
    assert set(event.data) == {"payment", "order", "receipt", "kind", "method", "amount", "currency", "refunds"}


def test_without_an_amount_all_that_is_left_is_given_back(api, manager, payment):
    give_back(api(manager), payment, amount="30.00")
    assert give_back(api(manager), payment).json()["amount"] == "-70.00"
    again = give_back(api(manager), payment)
    assert (again.status_code, again.json()["code"], again.json()["left"]) == (422, "billing.more_than_paid", "0.00")


def test_never_more_than_was_paid_and_not_given_back(api, manager, payment):
    give_back(api(manager), payment, amount="30.00")
    events = OutboxEvent.objects.count()
    response = give_back(api(manager), payment, amount="70.01")
    assert (response.status_code, response.json()["code"]) == (422, "billing.more_than_paid")
    assert response.json()["errors"][0]["allowed"] == {"at_most": "70.00"}
    assert refunds().count() == 1
    assert OutboxEvent.objects.count() == events


def test_the_receipt_of_a_refund_refers_to_the_first_and_gives_its_tax_back(api, manager, payment):
    give_back(api(manager), payment)
    first, second = Receipt.objects.everywhere("test").order_by("number")
    assert second.content["refers_to"] == first.number
    assert second.content["reason"] == "frame exchanged"
    assert second.content["balance_due"] == "220.00"
    for before, after in zip(first.content["payment_tax"], second.content["payment_tax"], strict=True):
        assert D(before["gross"]) + D(after["gross"]) == 0
        assert D(before["tax"]) + D(after["tax"]) == 0


def test_a_cancelled_orders_deposit_is_given_back(api, manager, mill, order, payment):
    type(order).objects.everywhere("test").update(state="cancelled", cancelled_reason="changed mind")
    assert give_back(api(manager), payment).status_code == 201
    order.refresh_from_db()
    assert selectors.balance_of(order) == selectors.Balance(D("220.00"), D("0.00"), D("0.00"), "GBP")
    assert Receipt.objects.everywhere("test").latest("id").content["balance_due"] == "0.00"


def test_a_refund_is_not_refunded(api, manager, payment):
    first = give_back(api(manager), payment, amount="10.00").json()
    response = give_back(api(manager), Payment(id=first["id"]), amount="5.00")
    assert (response.status_code, response.json()["code"]) == (409, "billing.not_refundable")
    assert refunds().count() == 1


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        ({"reason": ""}, 400, "core.malformed"),
        ({"reason": "   "}, 400, "core.malformed"),
        ({"amount": "0.00"}, 400, "core.malformed"),
        ({"method": "cash"}, 400, "core.malformed"),
        ({"reason": "to 4111111111111111"}, 422, "billing.card_data_refused"),
    ],
)
def test_bad_input_is_a_problem_and_gives_nothing_back(api, manager, payment, body, status, code):
    response = give_back(api(manager), payment, **body)
    assert (response.status_code, response.json()["code"]) == (status, code)
    assert not refunds().exists()
    assert not OutboxEvent.objects.filter(type="billing.payment_refunded").exists()


def test_the_service_itself_wants_a_reason(payment):
    with pytest.raises(services.RefundUnexplained):
        services.payment_refund(actor=SYSTEM, payment=payment, amount=D("1.00"), reason=" ")
    assert not refunds().exists()


def test_who_may_give_back(api, clerk, outsider, bookkeeper, payment):
    assert give_back(api(clerk), payment).status_code == 403
    assert give_back(api(bookkeeper), payment).status_code == 403
    assert give_back(api(outsider), payment).status_code == 404
    assert give_back(api(None), payment).status_code == 401
    assert not refunds().exists()


def test_a_refund_needs_a_key_and_happens_once(api, manager, payment):
    bare = api(manager).post(f"/api/v1/payments/{payment.id}/refund/", {"reason": "x"})
    assert (bare.status_code, bare.json()["code"]) == (400, "core.idempotency_key_missing")
    first = give_back(api(manager), payment, key="r", amount="10.00")
    second = give_back(api(manager), payment, key="r", amount="10.00")
    assert first.json() == second.json()
    assert refunds().count() == 1
