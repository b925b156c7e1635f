"""Invoices in formats of plugins: the facts are the frozen figures, and the official rules find nothing wrong."""

from __future__ import annotations

import io
from decimal import Decimal as D

import pytest
from lxml import etree
from opticshop_ubl_invoices.judging import rules_broken, schema_faults
from pypdf import PdfReader

from opticshop.billing import invoices, receipts, services
from opticshop.billing.exporting import CannotBeExported, exported, facts_of
from opticshop.core import actor
from opticshop.documents.invoice import invoice_pdf
from opticshop.documents.receipt import receipt_pdf
from opticshop.pluginhost.errors import PluginNotAvailable, PluginRefused
from tests.factories import ORDINARY_LINES, OrderFactory, order_priced

pytestmark = pytest.mark.django_db
SYSTEM = actor.system("test")
#: Net prices of 100.00 and 50.00; 100.00 x 0.0825 = 8.25 is added.
NET_LINES = (
    ("frame", "", "FR-1", "Heron 50 (invented)", "108.25", "standard", "8.25", "8.25"),
    ("lens", "right", "LE-1", "Clear (invented)", "50.00", "exempt", "0", "0.00"),
)
TAX = {"note": "Sales tax 8.25%.", "reasons": {"exempt": "Prescription eyewear"}}


@pytest.fixture
def branch(mill):
    mill.address, mill.tax_number = "1 Weir Lane\nMillbrook\nML1 1AA", "GB 123 4567 89"
    mill.save()
    return mill


@pytest.fixture
def order(branch):
    return OrderFactory(customer__branch=branch, customer__address="3 Weir Lane")


def invoice_of(order, paid=None):
    if paid:
        services.payment_take(actor=SYSTEM, order=order, amount=D(paid), method="card")
    return services.invoice_issue(actor=SYSTEM, order=order)


def valid(invoice):
    """The document, once the judges have found nothing."""
    document = exported(invoice, exporter="ubl-2-1").body
    assert schema_faults(document) == []
    assert rules_broken(document) == set()
    return document


def texts(document, name):
    return [each.text for each in etree.fromstring(document).iter("{*}" + name)]


def test_an_invoice_is_had_as_ubl(api, clerk, hand, outsider, order):
    """ORDINARY_LINES: 160.00 with 26.67 of tax in it, and 60.00 exempt."""
    invoice = invoice_of(order, paid="100.00")
    url = f"/api/v1/invoices/{invoice.id}/export/"
    response = api(clerk).get(url)
    assert response.status_code == 200, response.content
    assert response["Content-Type"] == "application/xml"
    assert response["Content-Disposition"] == f'attachment; filename="{invoice.number}.xml"'
    document = response.content
    assert document == valid(invoice) == api(clerk).get(url, {"exporter": "ubl-2-1"}).content
    assert texts(document, "TaxAmount") == ["26.67", "26.67", "0.00"]
    assert texts(document, "TaxableAmount") == ["133.33", "60.00"]
    assert texts(document, "PrepaidAmount") == ["100.00"]
    assert texts(document, "PayableAmount") == ["120.00"]
    assert texts(document, "PaymentMeansCode") == ["48"]
    assert texts(document, "CompanyID") == ["GB123456789"]
    assert texts(document, "StreetName") == ["1 Weir Lane", "3 Weir Lane"]
    assert api(outsider).get(url).status_code == 404
    assert api(hand).get(url).status_code == 403
    assert api(clerk).get(url, {"exporter": "no-such-format"}).json()["code"] == "pluginhost.not_available"
    assert api(clerk).get(url, {"exporter": "no such format"}).status_code == 400


def test_a_credit_note_is_had_with_a_line_for_each_rate(order):
    invoice = invoice_of(order)
    part = services.credit_note_issue(actor=SYSTEM, invoice=invoice, reason="Scratched (invented)", amount=D("33.33"))
    rest = services.credit_note_issue(actor=SYSTEM, invoice=invoice, reason="Called off (invented)")
    for note in (part, rest):
        document = valid(note)
        assert texts(document, "CreditNoteTypeCode") == ["381"]
        assert texts(document, "InvoiceDocumentReference")
        assert texts(document, "Note") == [note.reason]
    facts = [facts_of(note) for note in (part, rest)]
    assert sum(one.total for one in facts) == invoice.total
    assert sum(one.tax_total for one in facts) == invoice.tax_total


def net_priced(branch, unit_price):
    order = order_priced(*NET_LINES, customer__branch=branch, computation={"tax": TAX})
    order.lines.filter(kind="frame").update(unit_price=D(unit_price))
    return order


def test_net_prices_and_the_words_of_a_tax_rule_are_understood(branch):
    invoice = invoice_of(net_priced(branch, "100.00"))
    facts = facts_of(invoice)
    assert (facts.prices_include_tax, facts.tax_rounding) == (False, "per_rate")
    document = valid(invoice)
    assert texts(document, "TaxExemptionReason") == ["Prescription eyewear"]
    assert texts(document, "Note") == ["Sales tax 8.25%."]
    note = services.credit_note_issue(actor=SYSTEM, invoice=invoice, reason="Late (invented)", amount=D("10.01"))
    assert texts(valid(note), "Note") == ["Late (invented) Sales tax 8.25%."]


def test_receipt_and_invoice_print_what_the_tax_rule_wants(branch):
    order = net_priced(branch, "100.00")
    payment = services.payment_take(actor=SYSTEM, order=order, amount=D("50.00"), method="card")
    invoice = services.invoice_issue(actor=SYSTEM, order=order)
    for document in (
        receipt_pdf(receipts.printable(payment.receipt, invented=True)),
        invoice_pdf(invoices.printable(invoice, invented=True)),
    ):
        text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(document)).pages)
        assert "Sales tax 8.25%." in " ".join(text.split())
    assert payment.receipt.content["tax_reasons"] == {"exempt": "Prescription eyewear"}


def test_tax_that_is_not_what_the_rate_gives_does_not_go_out(branch):
    """108.25 as a price that includes tax holds 8.2500...: 108.25 x 8.25 / 108.25 = 8.25; of 108.00 it is 8.23."""
    wrong = ("frame", "", "FR-1", "Heron 50 (invented)", "108.00", "standard", "8.25", "8.25")
    order = order_priced(wrong, customer__branch=branch, computation={"tax": TAX})
    with pytest.raises(CannotBeExported, match="is not the tax on"):
        facts_of(invoice_of(order))


def test_a_category_that_nobody_knows_is_not_exported(branch):
    order = order_priced((*ORDINARY_LINES[0][:5], "luxury", "20", "15.83"), customer__branch=branch)
    with pytest.raises(CannotBeExported, match="luxury"):
        facts_of(invoice_of(order))


def test_what_the_format_has_no_place_for_is_refused(mill):
    invoice = invoice_of(OrderFactory(customer__branch=mill))
    with pytest.raises(PluginRefused, match="The seller needs a tax number"):
        exported(invoice, exporter="ubl-2-1")
    with pytest.raises(PluginNotAvailable):
        exported(invoice, exporter="nothing")
