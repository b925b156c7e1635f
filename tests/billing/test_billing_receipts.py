"""Receipts: frozen figures, gapless numbers, and the paper."""

from __future__ import annotations

import datetime as dt
import io
from decimal import Decimal as D

import pytest
from django.db import transaction
from pypdf import PdfReader

from opticshop.billing import services
from opticshop.billing.models import Payment, Receipt
from opticshop.billing.receipts import OrderDoesNotAddUp
from opticshop.core import actor, clock
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order, OrderLine
from tests.factories import OrderFactory, order_priced

pytestmark = pytest.mark.django_db
URL = "/api/v1/receipts/"
SYSTEM = actor.system("test")


@pytest.fixture
def order(mill):
    mill.address, mill.tax_number = "1 Weir Lane\nMillbrook", "GB 000 0000 00"
    mill.save()
    return OrderFactory(customer__branch=mill)


def take(order, amount, method="card", reference=""):
    return services.payment_take(actor=SYSTEM, order=order, amount=D(amount), method=method, reference=reference)


def test_the_receipt_states_everything_and_adds_up(api, clerk, order):
    """What a receipt carries is common practice, from memory."""
    take(order, "100.00")
    payment = take(order, "50.00", "cash", "drawer 2")
    content = api(clerk).get(f"{URL}{payment.receipt.id}/").json()["content"]
    assert content["seller"] == {
        "name": order.branch.name,
        "address": "1 Weir Lane\nMillbrook",
        "phone": "",
        "tax_number": "GB 000 0000 00",
    }
    assert (content["issued_on"], content["tax_point_on"]) == ("2026-03-02", "2026-03-02")
    assert content["order"] == {"id": str(order.id), "number": order.number}
    assert content["lines"][0] == {
        "description": "Heron 50 (invented)",
        "quantity": 1,
        "unit_price": "95.00",
        "discount": "0.00",
        "gross": "95.00",
        "tax_category": "standard",
        "tax_rate_percent": "20.00",
        "tax": "15.83",
    }
    assert content["tax_summary"] == [
        {"category": "standard", "rate_percent": "20.00", "net": "133.33", "tax": "26.67", "gross": "160.00"},
        {"category": "exempt", "rate_percent": "0.00", "net": "60.00", "tax": "0.00", "gross": "60.00"},
    ]
    assert sum(D(line["gross"]) for line in content["lines"]) == D(content["total"]) == D("220.00")
    assert sum(D(part["tax"]) for part in content["tax_summary"]) == D(content["tax_total"]) == D("26.67")
    assert sum(D(part["gross"]) for part in content["payment_tax"]) == D("50.00")
    money = ("paid_before", "amount", "method", "reference", "balance_due", "is_deposit", "kind")
    assert [content[name] for name in money] == ["100.00", "50.00", "cash", "drawer 2", "70.00", True, "deposit"]


def test_the_tax_of_all_payments_together_is_the_tax_of_the_price(order):
    for amount in ("0.01", "33.33", "100.00", "86.66"):
        take(order, amount)
    contents = list(Receipt.objects.everywhere("test").values_list("content", flat=True))
    for place, whole in enumerate(contents[0]["tax_summary"]):
        for name in ("net", "tax", "gross"):
            assert sum(D(content["payment_tax"][place][name]) for content in contents) == D(whole[name])


def test_the_receipt_names_no_customer(order):
    content = str(take(order, "10.00").receipt.content)
    assert order.customer.family_name not in content
    assert order.customer.email not in content


def test_the_figures_are_a_copy_that_later_changes_do_not_reach(api, clerk, order, mill):
    receipt = take(order, "10.00").receipt
    before = api(clerk).get(f"{URL}{receipt.id}/document/").content
    OrderLine.objects.filter(order=order).update(description="something else", gross="1.00")
    mill.name = "Renamed (invented)"
    mill.save()
    assert api(clerk).get(f"{URL}{receipt.id}/document/").content == before


def test_a_payment_after_collection_has_the_tax_point_of_the_supply(mill, steady_clock):
    """Tax point: the earlier of payment and supply (common practice, from memory)."""
    order = OrderFactory(customer__branch=mill, state="collected", collected_at=steady_clock - dt.timedelta(days=4))
    content = take(order, "10.00").receipt.content
    assert (content["issued_on"], content["tax_point_on"]) == ("2026-03-02", "2026-02-26")


def test_days_are_those_of_the_branch(mill):
    mill.time_zone = "Pacific/Auckland"
    mill.save()
    order = OrderFactory(customer__branch=mill)
    assert take(order, "10.00").receipt.issued_on == dt.date(2026, 3, 3), "noon UTC is past midnight there"


def test_numbers_run_on_and_begin_again_each_year_and_branch(order, quay):
    numbers = [take(order, "1.00").receipt.number for _ in range(2)]
    numbers.append(take(OrderFactory(customer__branch=quay), "1.00").receipt.number)
    with clock.at(dt.datetime(2027, 1, 1, 12, tzinfo=dt.UTC)):
        numbers.append(take(order, "1.00").receipt.number)
    assert numbers == ["MILL-R-2026-00001", "MILL-R-2026-00002", "QUAY-R-2026-00001", "MILL-R-2027-00001"]


def test_a_payment_that_is_rolled_back_leaves_no_gap(order):
    take(order, "1.00")
    with transaction.atomic():
        assert take(order, "1.00").receipt.number == "MILL-R-2026-00002"
        transaction.set_rollback(True)
    assert take(order, "1.00").receipt.number == "MILL-R-2026-00002"


def test_an_order_whose_lines_do_not_make_its_total_gets_no_receipt(order):
    Order.objects.everywhere("test").update(total="221.00")
    with pytest.raises(OrderDoesNotAddUp):
        take(order, "10.00")
    assert not Payment.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_lines_with_quantity_and_discount_are_stated(api, clerk, mill):
    line = ("frame", "", "CASE", "Case (invented)", "18.00", "standard", "20", "3.00")
    order = order_priced(line, customer__branch=mill)
    OrderLine.objects.filter(order=order).update(quantity=2, unit_price="10.00", discount="2.00")
    receipt = take(order, "18.00").receipt
    text = pdf_text(api(clerk).get(f"{URL}{receipt.id}/document/"))
    assert "Case (invented) 2 £10.00 −£2.00 £18.00 standard 20% £3.00" in text


def pdf_text(response):
    pages = PdfReader(io.BytesIO(response.content), strict=True).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_the_paper_is_a_pdf_with_the_same_figures(api, clerk, order, settings):
    receipt = take(order, "100.00").receipt
    response = api(clerk).get(f"{URL}{receipt.id}/document/", headers={"Accept": "application/pdf"})
    assert response.status_code == 200
    assert response["Content-Type"] == "application/pdf"
    assert response["Content-Disposition"] == 'inline; filename="MILL-R-2026-00001.pdf"'
    text = pdf_text(response)
    assert "Deposit receipt MILL-R-2026-00001" in text
    assert "Balance due £120.00" in text
    assert "invented demo data" not in text
    settings.OPTICSHOP_INVENTED_DATA = True
    assert "invented demo data" in pdf_text(api(clerk).get(f"{URL}{receipt.id}/document/"))


def test_the_paper_of_a_refund_refers_to_the_first(api, clerk, order):
    refund = services.payment_refund(actor=SYSTEM, payment=take(order, "100.00"), reason="frame exchanged")
    text = pdf_text(api(clerk).get(f"{URL}{refund.receipt.id}/document/"))
    for wanted in ("Refund MILL-R-2026-00002", "Refers to receipt MILL-R-2026-00001", "Reason: frame exchanged"):
        assert wanted in text


def test_the_paper_is_offered_as_pdf_only_and_failures_stay_problems(api, clerk, hand, order):
    url = f"{URL}{take(order, '1.00').receipt.id}/document/"
    refused = api(clerk).get(url, headers={"Accept": "text/html"})
    assert refused.status_code == 406
    forbidden = api(hand).get(url, headers={"Accept": "application/pdf"})
    assert forbidden.status_code == 403
    for response in (refused, forbidden):
        assert response["Content-Type"] == "application/problem+json"
        assert response.json()["status"] == response.status_code


def test_receipts_are_found_by_order_number_and_day(api, clerk, order):
    first, second = take(order, "1.00").receipt, take(order, "1.00").receipt
    find = api(clerk).get

    def found(query):
        return [row["id"] for row in find(f"{URL}?{query}").json()["results"]]

    assert found(f"order={order.id}") == [str(second.id), str(first.id)]
    assert found(f"number={first.number}") == [str(first.id)]
    assert found(f"payment={second.payment_id}") == [str(second.id)]
    assert found("issued_to=2026-03-01") == []
    assert found("issued_from=2026-03-02&issued_to=2026-03-02") == [str(second.id), str(first.id)]


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, order, queries):
    client = api(clerk)
    take(order, "1.00")
    one = queries(lambda: client.get(URL))
    for _ in range(9):
        take(order, "1.00")
    assert queries(lambda: client.get(URL)) == one
