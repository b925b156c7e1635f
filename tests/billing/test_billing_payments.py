"""Taking money for an order through the API."""

from __future__ import annotations

import uuid
from decimal import Decimal as D

import pytest

from opticshop.billing import selectors, services
from opticshop.billing.models import Payment, Receipt
from opticshop.branches.models import NumberSeries
from opticshop.core import actor
from opticshop.core.models import OutboxEvent
from tests.factories import CustomerFactory, OrderFactory, order_priced

pytestmark = pytest.mark.django_db
URL = "/api/v1/payments/"
SYSTEM = actor.system("test")


@pytest.fixture
def order(mill):
    return OrderFactory(customer__branch=mill)


def pay(client, order, amount="50.00", *, key=None, **more):
    body = {"order": str(order.id), "amount": amount, "method": "card", **more}
    return client.post(URL, body, headers={"Idempotency-Key": key or uuid.uuid4().hex})


def nothing_written():
    return not (
        Payment.objects.everywhere("test").exists()
        or Receipt.objects.everywhere("test").exists()
        or OutboxEvent.objects.exists()
        or NumberSeries.objects.exists()
    )


def test_a_deposit_is_taken_with_its_receipt_and_its_event(api, clerk, order):
    response = pay(api(clerk), order, reference="T-0042")
    assert response.status_code == 201, response.content
    answer = response.json()
    assert (answer["kind"], answer["amount"], answer["currency"]) == ("deposit", "50.00", "GBP")
    assert answer["receipt"]["number"] == "MILL-R-2026-00001"
    assert answer["taken_by"] == str(clerk.id)
    event = OutboxEvent.objects.get(type__startswith="billing.")
    assert event.type == "billing.payment_taken"
    assert event.subject == f"payments/{answer['id']}"
    assert event.data == {
        "payment": answer["id"],
        "order": str(order.id),
        "receipt": answer["receipt"]["id"],
        "kind": "deposit",
        "method": "card",
        "amount": "50.00",
        "currency": "GBP",
    }


@pytest.mark.parametrize(
    ("state", "kind"),
    [("placed", "deposit"), ("in_workshop", "deposit"), ("ready", "balance"), ("collected", "balance")],
)
def test_money_is_a_deposit_until_the_pair_is_ready(api, clerk, mill, steady_clock, state, kind):
    order = OrderFactory(
        customer__branch=mill, state=state, collected_at=steady_clock if state == "collected" else None
    )
    assert pay(api(clerk), order).json()["kind"] == kind


def test_the_balance_follows_what_was_paid(api, clerk, order):
    client, url = api(clerk), f"/api/v1/balances/{order.id}/"
    assert client.get(url).json() == {
        "order": str(order.id),
        "total": "220.00",
        "paid": "0.00",
        "due": "220.00",
        "credited": "0.00",
        "written_off": "0.00",
        "forfeited": "0.00",
        "currency": "GBP",
    }
    pay(client, order, "100.00")
    pay(client, order, "20.01", method="cash")
    assert client.get(url).json()["due"] == "99.99"
    assert selectors.balance_of(order) == selectors.Balance(D("220.00"), D("120.01"), D("99.99"), "GBP")


def test_more_than_due_is_refused_and_says_what_is_due(api, clerk, order):
    pay(api(clerk), order, "200.00")
    response = pay(api(clerk), order, "20.01")
    assert response.status_code == 422
    problem = response.json()
    assert (problem["code"], problem["due"]) == ("billing.more_than_due", "20.00")
    assert problem["errors"][0]["pointer"] == "#/amount"
    assert problem["errors"][0]["allowed"] == {"at_most": "20.00"}
    assert Payment.objects.everywhere("test").count() == 1
    assert OutboxEvent.objects.filter(type="billing.payment_taken").count() == 1
    assert NumberSeries.objects.get(kind="R").last == 1, "the refusal used no receipt number"
    assert pay(api(clerk), order, "20.00").status_code == 201
    assert pay(api(clerk), order, "0.01").json()["due"] == "0.00"


def test_nothing_is_taken_for_a_cancelled_order_and_nothing_is_due(api, clerk, mill):
    order = OrderFactory(customer__branch=mill, state="cancelled", cancelled_reason="changed mind")
    response = pay(api(clerk), order)
    assert (response.status_code, response.json()["code"]) == (409, "billing.order_cancelled")
    assert nothing_written()
    assert api(clerk).get(f"/api/v1/balances/{order.id}/").json()["due"] == "0.00"


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"amount": "0.00"}, 400, "core.malformed"),
        ({"amount": "-5.00"}, 400, "core.malformed"),
        ({"amount": "10.505"}, 400, "core.malformed"),
        ({"amount": "NaN"}, 400, "core.malformed"),
        ({"amount": 1e400}, 400, "core.malformed"),
        ({"method": "cheque"}, 400, "core.malformed"),
        ({"card_number": "x"}, 400, "core.malformed"),
        ({"reference": "4111 1111 1111 1111"}, 422, "billing.card_data_refused"),
        ({"reference": "a\x00b"}, 400, "core.malformed"),
        ({"order": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
    ],
)
def test_bad_input_is_a_problem_and_writes_nothing(api, clerk, order, more, status, code):
    body = {"order": str(order.id), "amount": "50.00", "method": "card"} | more
    if more.get("amount") == 1e400:
        body["amount"] = "9" * 400
    response = api(clerk).post(URL, body, headers={"Idempotency-Key": "k"})
    assert (response.status_code, response.json()["code"]) == (status, code)
    assert response["Content-Type"] == "application/problem+json"
    assert "4111 1111" not in response.content.decode()
    assert nothing_written()


@pytest.mark.parametrize("amount", ["0", "-1", "10.505", "NaN", "Infinity"])
def test_the_service_itself_refuses_amounts_that_cannot_be_paid(order, amount):
    with pytest.raises(services.AmountNotPayable):
        services.payment_take(actor=SYSTEM, order=order, amount=D(amount), method="cash")
    assert nothing_written()


def test_a_currency_without_a_minor_unit_takes_no_decimals(api, clerk, mill):
    """The yen has no minor unit (ISO 4217, from memory)."""
    lines = (("frame", "", "FR-1", "Heron 50 (invented)", "11000", "standard", "10", "1000"),)
    order = order_priced(*lines, customer__branch=mill, currency="JPY")
    response = pay(api(clerk), order, "500.50")
    assert (response.status_code, response.json()["code"]) == (422, "billing.amount_not_payable")
    assert nothing_written()
    assert pay(api(clerk), order, "500").status_code == 201
    assert Receipt.objects.everywhere("test").get().content["balance_due"] == "10500"


def test_a_payment_needs_an_idempotency_key(api, clerk, order):
    response = api(clerk).post(URL, {"order": str(order.id), "amount": "50.00", "method": "card"})
    assert (response.status_code, response.json()["code"]) == (400, "core.idempotency_key_missing")
    assert nothing_written()


def test_the_same_key_takes_the_money_once(api, clerk, order):
    first, second = pay(api(clerk), order, key="till-7"), pay(api(clerk), order, key="till-7")
    assert second.status_code == 201
    assert second.json() == first.json()
    assert second.headers["Idempotent-Replayed"] == "true"
    assert Payment.objects.everywhere("test").count() == 1
    other = pay(api(clerk), order, "51.00", key="till-7")
    assert (other.status_code, other.json()["code"]) == (422, "core.idempotency_key_reused")


def test_a_refused_payment_does_not_use_up_its_key(api, clerk, order):
    assert pay(api(clerk), order, "500.00", key="till-8").status_code == 422
    assert pay(api(clerk), order, "50.00", key="till-8").status_code == 201


def test_another_branchs_order_and_payment_look_like_none(api, clerk, outsider, order):
    theirs = pay(api(clerk), order).json()
    client = api(outsider)
    assert pay(client, order).status_code == 404
    assert client.get(f"{URL}{theirs['id']}/").status_code == 404
    assert client.get(URL).json()["results"] == []
    assert client.get(f"/api/v1/balances/{order.id}/").status_code == 404
    assert client.get(f"/api/v1/receipts/{theirs['receipt']['id']}/").status_code == 404
    assert client.get(f"/api/v1/receipts/{theirs['receipt']['id']}/document/").status_code == 404
    assert Payment.objects.everywhere("test").count() == 1


def test_who_may_take_and_who_may_look(api, clerk, hand, bookkeeper, order):
    assert pay(api(None), order).status_code == 401
    assert pay(api(hand), order).status_code == 403
    assert pay(api(bookkeeper), order).status_code == 403
    assert nothing_written()
    pay(api(clerk), order)
    assert len(api(bookkeeper).get(URL).json()["results"]) == 1
    assert api(bookkeeper).get(f"/api/v1/balances/{order.id}/").json()["paid"] == "50.00"
    assert api(hand).get(URL).status_code == 403


def test_payments_are_found_by_order_branch_and_kind(api, clerk, head_office, mill, quay, order):
    wanted = pay(api(clerk), order).json()["id"]
    elsewhere = OrderFactory(customer__branch=quay)
    other = pay(api(head_office), elsewhere).json()["id"]
    find = api(head_office).get
    assert [row["id"] for row in find(f"{URL}?order={order.id}").json()["results"]] == [wanted]
    assert [row["id"] for row in find(f"{URL}?branch={quay.id}").json()["results"]] == [other]
    assert find(f"{URL}?kind=refund").json()["results"] == []
    assert find(f"{URL}?order=nonsense").status_code == 400


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, order, queries):
    client = api(clerk)
    pay(client, order, "1.00")
    one = queries(lambda: client.get(URL))
    for number in range(9):
        another = OrderFactory(customer=CustomerFactory(branch=mill)) if number % 2 else order
        assert pay(client, another, "1.00").status_code == 201
    assert queries(lambda: client.get(URL)) == one


def test_sums_of_money_leave_nothing_in_the_last_digits(api, clerk, order):
    """As floats, 0.10 + 0.20 is 0.30000000000000004 (IEEE 754, the usual example)."""
    for amount in ("0.10", "0.20"):
        response = pay(api(clerk), order, amount, method="cash")
        assert response.status_code == 201, response.json()
    assert str(selectors.balance_of(order).paid) == "0.30"
    [day] = selectors.till_days_visible_to(SYSTEM)
    assert str(selectors.expected_cash(day)) == "0.30"
