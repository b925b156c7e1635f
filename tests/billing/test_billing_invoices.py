"""Full invoices and credit notes: frozen, gapless, in step with refunds, and on paper."""

from __future__ import annotations

import io
import uuid
from decimal import Decimal as D

import pytest
from django.db import DatabaseError, transaction
from pypdf import PdfReader

from opticshop.billing import services
from opticshop.billing.models import Invoice
from opticshop.core import actor, outbox
from opticshop.core.models import OutboxEvent
from opticshop.orders import services as orders
from tests.factories import OrderFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/invoices/"
SYSTEM = actor.system("test")
BUYER = {"name": "Weir Works Ltd (invented)", "address": "2 Weir Lane\nMillbrook", "tax_number": "GB 111 1111 11"}


@pytest.fixture
def order(mill):
    mill.address, mill.tax_number = "1 Weir Lane\nMillbrook", "GB 000 0000 00"
    mill.save()
    return OrderFactory(customer__branch=mill, customer__address="3 Weir Lane")


@pytest.fixture
def invoice(order):
    return services.invoice_issue(actor=SYSTEM, order=order)


def post(client, path="", **body):
    return client.post(f"{URL}{path}", body, format="json", headers={"Idempotency-Key": uuid.uuid4().hex})


def take(order, amount="220.00"):
    return services.payment_take(actor=SYSTEM, order=order, amount=D(amount), method="card")


def collect(order):
    for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
        step(actor=SYSTEM, order=order)
    outbox.deliver_all()


def pdf_text(response):
    return " ".join(
        " ".join(p.extract_text() for p in PdfReader(io.BytesIO(response.content), strict=True).pages).split()
    )


def test_an_invoice_states_seller_buyer_lines_tax_and_what_is_paid(api, clerk, order):
    """What a full invoice carries is common practice, from memory (trade reference 5.4)."""
    take(order, "100.00")
    answer = post(api(clerk), order=str(order.id), buyer=BUYER)
    assert answer.status_code == 201, answer.content
    said, content = answer.json(), answer.json()["content"]
    assert (said["number"], said["kind"], said["total"], said["tax_total"]) == (
        "MILL-I-2026-00001",
        "invoice",
        "220.00",
        "26.67",
    )
    assert content["buyer"] == BUYER
    assert content["seller"]["tax_number"] == "GB 000 0000 00"
    assert (content["paid"], content["payable"], content["net_total"]) == ("100.00", "120.00", "193.33")
    assert sum(D(line["gross"]) for line in content["lines"]) == D(content["total"])
    assert sum(D(part["tax"]) for part in content["tax_summary"]) == D(content["tax_total"])
    told = OutboxEvent.objects.get(type="billing.invoiced")
    assert told.data["number"] == said["number"]
    text = pdf_text(api(clerk).get(f"{URL}{said['id']}/document/"))
    for wanted in (
        "Invoice MILL-I-2026-00001",
        "Weir Works Ltd (invented)",
        "To pay £120.00",
        "Tax £26.67",
        "Not supplied yet",
    ):
        assert wanted in text


def test_without_a_buyer_it_is_made_out_to_the_customer(order, invoice):
    name = f"{order.customer.given_name} {order.customer.family_name}"
    assert invoice.content["buyer"] == {"name": name, "address": "3 Weir Lane", "tax_number": ""}


def test_one_invoice_stands_at_a_time(api, clerk, manager, order, invoice):
    again = post(api(clerk), order=str(order.id))
    assert (again.status_code, again.json()["code"]) == (409, "billing.already_invoiced")
    assert post(api(clerk), f"{invoice.id}/credit/", reason="x").status_code == 403
    note = post(api(manager), f"{invoice.id}/credit/", reason="Made out to the wrong company")
    assert note.status_code == 201, note.content
    assert (note.json()["number"], note.json()["credits"], note.json()["total"]) == (
        "MILL-N-2026-00001",
        str(invoice.id),
        "220.00",
    )
    assert note.json()["content"]["refers_to"] == {"number": invoice.number, "issued_on": "2026-03-02"}
    assert post(api(clerk), order=str(order.id), buyer=BUYER).json()["number"] == "MILL-I-2026-00002"
    none_left = post(api(manager), f"{invoice.id}/credit/", reason="again")
    assert (none_left.status_code, none_left.json()["code"]) == (422, "billing.more_than_invoiced")
    of_a_note = post(api(manager), f"{note.json()['id']}/credit/", reason="again")
    assert (of_a_note.status_code, of_a_note.json()["code"]) == (409, "billing.not_an_invoice")


def test_credit_notes_in_parts_add_up_to_the_invoice_by_rate(invoice):
    for amount in ("33.33", "100.00", None):
        services.credit_note_issue(actor=SYSTEM, invoice=invoice, amount=amount and D(amount), reason="test")
    notes = Invoice.objects.everywhere("test").filter(credits=invoice)
    assert sum(note.total for note in notes) == invoice.total
    for whole in invoice.content["tax_summary"]:
        for name in ("net", "tax", "gross"):
            parts = (p[name] for n in notes for p in n.content["tax_summary"] if p["category"] == whole["category"])
            assert sum(map(D, parts)) == D(whole[name])


def test_a_refund_after_the_supply_issues_its_credit_note_and_before_it_none(api, clerk, order, invoice):
    payment = take(order)
    services.payment_refund(actor=SYSTEM, payment=payment, amount=D("20.00"), reason="till mistake")
    assert Invoice.objects.everywhere("test").count() == 1, "the price stands"
    take(order, "20.00")
    collect(order)
    services.payment_refund(actor=SYSTEM, payment=payment, amount=D("50.00"), reason="Scratched coating")
    note = Invoice.objects.everywhere("test").get(kind="credit_note")
    assert (note.total, note.credits_id, note.reason) == (D("50.00"), invoice.id, "Scratched coating")
    text = pdf_text(api(clerk).get(f"{URL}{note.id}/document/"))
    for wanted in ("Credit note MILL-N-2026-00001", f"Corrects invoice {invoice.number}", "Reason: Scratched coating"):
        assert wanted in text


def test_an_order_that_is_called_off_has_its_invoice_credited(api, clerk, order, invoice):
    orders.order_cancel(actor=SYSTEM, order=order, reason="changed mind")
    outbox.deliver_all()
    outbox.deliver_all()
    assert Invoice.objects.everywhere("test").get(kind="credit_note").total == D("220.00")
    refused = post(api(clerk), order=str(order.id))
    assert (refused.status_code, refused.json()["code"]) == (409, "billing.nothing_to_invoice")


def test_the_figures_are_frozen_and_the_database_keeps_them(api, clerk, order, invoice):
    before = api(clerk).get(f"{URL}{invoice.id}/document/").content
    order.branch.name = "Renamed (invented)"
    order.branch.save()
    assert api(clerk).get(f"{URL}{invoice.id}/document/").content == before
    for change in (lambda rows: rows.update(total=1), lambda rows: rows.delete()):
        with pytest.raises(DatabaseError), transaction.atomic():
            change(Invoice.objects.everywhere("test"))


def test_an_invoice_books_nothing_and_a_rolled_back_one_leaves_no_gap(order):
    with transaction.atomic():
        assert services.invoice_issue(actor=SYSTEM, order=order).number == "MILL-I-2026-00001"
        transaction.set_rollback(True)
    assert services.invoice_issue(actor=SYSTEM, order=order).number == "MILL-I-2026-00001"
    assert not OutboxEvent.objects.filter(type="ledger.entry_posted").exists()


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"buyer": {"name": ""}}, 400),
        ({"buyer": {"iban": "x"}}, 400),
        ({"order": str(uuid.uuid4())}, 404),
        ({"buyer": {"name": "4111111111111111"}}, 422),
    ],
)
def test_bad_input_issues_nothing(api, clerk, order, body, status):
    assert post(api(clerk), **{"order": str(order.id), **body}).status_code == status
    assert not Invoice.objects.everywhere("test").exists()


def test_who_may_issue_and_see(api, hand, bookkeeper, outsider, order, invoice):
    for someone, read in ((hand, 403), (bookkeeper, 200), (outsider, 404), (None, 401)):
        assert api(someone).get(f"{URL}{invoice.id}/").status_code == read
        assert api(someone).get(f"{URL}{invoice.id}/document/").status_code == read
    assert post(api(bookkeeper), order=str(order.id)).status_code == 403
    assert post(api(outsider), order=str(order.id)).status_code == 404
    assert api(outsider).get(URL).json()["results"] == []


def test_the_list_costs_the_same_for_one_and_for_five(api, clerk, order, invoice, queries):
    client = api(clerk)
    one = queries(lambda: client.get(URL))
    for _ in range(4):
        services.invoice_issue(actor=SYSTEM, order=OrderFactory(customer=order.customer))
    assert queries(lambda: client.get(URL)) == one
    assert [row["number"] for row in client.get(f"{URL}?order={order.id}&kind=invoice").json()["results"]] == [
        invoice.number
    ]
