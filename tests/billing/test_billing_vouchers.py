"""A voucher of a public scheme pays for an order once, never more than is due, and goes back whole."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal as D

import pytest

from opticshop.billing import selectors, services
from opticshop.billing.models import Payment
from opticshop.core import actor
from opticshop.prices.vouchers_models import SchemeClaim, SchemeVoucher
from tests.conftest import NOON
from tests.factories import CustomerFactory, OrderFactory

from .books import balance

pytestmark = pytest.mark.django_db
SYSTEM = actor.system("test")


@pytest.fixture
def order(mill):
    return OrderFactory(customer__branch=mill)


def voucher_for(customer, *, value="42.40", reference="V-1"):
    return SchemeVoucher.objects.create(
        branch=customer.branch,
        customer=customer,
        scheme="test",
        nation="GB-ENG",
        reference=reference,
        issued_on=dt.date(2026, 3, 1),
        band="A",
        eligibility="test",
        evidence="test",
        evidence_seen_at=NOON,
        face_value=D(value),
        currency="GBP",
    )


@pytest.fixture
def voucher(order):
    return voucher_for(order.customer)


def pay(client, order, **body):
    body = {"order": str(order.id), "method": "voucher", **body}
    return client.post("/api/v1/payments/", body, headers={"Idempotency-Key": uuid.uuid4().hex})


def give_back(client, payment, **body):
    url = f"/api/v1/payments/{payment}/refund/"
    return client.post(url, {"reason": "test", **body}, headers={"Idempotency-Key": uuid.uuid4().hex})


def test_a_voucher_pays_its_value_and_is_claimed_from_the_scheme(api, clerk, order, voucher):
    answer = pay(api(clerk), order, voucher=str(voucher.id))
    assert answer.status_code == 201, answer.content
    assert (answer.json()["amount"], answer.json()["voucher"], answer.json()["reference"]) == (
        "42.40",
        str(voucher.id),
        "V-1",
    )
    voucher.refresh_from_db()
    assert (voucher.state, voucher.document, voucher.redeemed_amount) == ("redeemed", f"orders/{order.id}", D("42.40"))
    assert selectors.balance_of(order).due == D("177.60")
    assert balance("scheme_claims") == D("42.40")


def test_it_pays_no_more_than_is_due_and_no_change_is_given(order):
    voucher = voucher_for(order.customer, value="233.56")
    services.payment_take(actor=SYSTEM, order=order, amount=D("200.00"), method="card")
    assert services.payment_take(actor=SYSTEM, order=order, method="voucher", voucher=voucher).amount == D("20.00")
    assert balance("scheme_claims") == D("20.00")


def test_it_is_used_once_and_by_its_customer_only(api, clerk, order, voucher):
    stranger = OrderFactory(customer__branch=order.branch)
    refused = pay(api(clerk), stranger, voucher=str(voucher.id))
    assert refused.status_code == 409, refused.content
    assert pay(api(clerk), order, voucher=str(voucher.id)).status_code == 201
    again = pay(api(clerk), OrderFactory(customer=order.customer), voucher=str(voucher.id))
    assert (again.status_code, again.json()["code"]) == (409, "prices.voucher_not_open")
    assert Payment.objects.everywhere("test").count() == 1


def test_it_is_put_back_whole_and_can_be_used_again(api, manager, order, voucher):
    payment = pay(api(manager), order, voucher=str(voucher.id)).json()["id"]
    part = give_back(api(manager), payment, amount="10.00")
    assert (part.status_code, part.json()["code"]) == (422, "billing.voucher_goes_back_whole")
    assert give_back(api(manager), payment).status_code == 201
    voucher.refresh_from_db()
    assert (voucher.state, balance("scheme_claims")) == ("issued", 0)
    assert pay(api(manager), order, voucher=str(voucher.id)).status_code == 201


def test_once_it_is_claimed_it_is_not_put_back(api, manager, order, voucher):
    payment = pay(api(manager), order, voucher=str(voucher.id)).json()["id"]
    claim = SchemeClaim.objects.create(
        branch=order.branch,
        number="MILL-S-2026-00001",
        scheme="test",
        nation="GB-ENG",
        submitted_on=NOON.date(),
        voucher_count=1,
        total=D("42.40"),
        currency="GBP",
    )
    SchemeVoucher.objects.everywhere("test").update(state="submitted", claim=claim)
    assert give_back(api(manager), payment).status_code == 409
    assert balance("scheme_claims") == D("42.40")


@pytest.mark.parametrize(
    "body", [{"voucher": True, "amount": "10.00"}, {"voucher": True, "method": "cash"}, {"amount": None}]
)
def test_an_amount_or_a_voucher_by_its_method(api, clerk, order, voucher, body):
    wanted = {name: value for name, value in body.items() if value is not None}
    if "voucher" in wanted:
        wanted["voucher"] = str(voucher.id)
    answer = pay(api(clerk), order, **wanted)
    assert (answer.status_code, answer.json()["code"]) == (422, "billing.payment_unclear")
    voucher.refresh_from_db()
    assert voucher.state == "issued"


def test_another_branchs_voucher_looks_like_none(api, clerk, order, quay):
    theirs = voucher_for(CustomerFactory(branch=quay))
    assert pay(api(clerk), order, voucher=str(theirs.id)).status_code == 404
