"""From the facts of an invoice to UBL 2.1: the core elements of EN 16931 in the order that the schema wants.

What the standard has no place for is refused here; the sums were checked when the facts were made.
"""

from __future__ import annotations

from collections.abc import Set
from decimal import Decimal
from typing import Literal

from opticshop.plugin_api import (
    NO_SETTINGS,
    InvoiceExporter,
    InvoiceFacts,
    InvoiceLine,
    InvoiceParty,
    Refusal,
    Settings,
)
from opticshop.plugin_api import InvoiceTaxSubtotal as Subtotal

from .tree import Tree

EN_16931 = "urn:cen.eu:en16931:2017"
_NAMESPACE = "urn:oasis:names:specification:ubl:schema:xsd:{}-2"
_MEANS = {"cash": "10", "card": "48", "transfer": "58", "other": "1"}
"""Codes of UNCL 4461: cash, bank card, SEPA credit transfer, not defined."""

_FINEST = Decimal("0.01")
Document = Literal["Invoice", "CreditNote"]


class UblInvoices(InvoiceExporter):
    """One XML document, UTF-8, without a word that depends on the day."""

    name = "ubl-2-1"
    title = "UBL 2.1 (EN 16931)"
    media_type = "application/xml"
    file_extension = "xml"

    def export(self, invoice: InvoiceFacts, settings: Settings = NO_SETTINGS) -> bytes:
        _refuse_what_has_no_place(invoice)
        document: Document = "Invoice" if invoice.kind == "invoice" else "CreditNote"
        root = Tree.rooted(document, _NAMESPACE.format(document))
        _head(root, invoice, settings, document)
        _party(root.part("AccountingSupplierParty").part("Party"), invoice.seller, _has_scheme(invoice))
        _party(root.part("AccountingCustomerParty").part("Party"), invoice.buyer, _has_scheme(invoice))
        if invoice.supplied_on is not None:
            root.part("Delivery").text("ActualDeliveryDate", invoice.supplied_on.isoformat())
        _means(root, set(invoice.means), settings.get("iban", ""))
        _tax(root, invoice)
        _totals(root, invoice)
        for line in invoice.lines:
            _line(root, line, invoice.currency, document)
        return root.written()


def _refuse_what_has_no_place(invoice: InvoiceFacts) -> None:
    if invoice.minor_unit < _FINEST:
        raise Refusal("opticshop-ubl-invoices.decimals", "EN 16931 knows two decimals (BR-DEC).", "currency")
    if _has_scheme(invoice) and not invoice.seller.tax_number:
        raise Refusal("opticshop-ubl-invoices.tax-number", "The seller needs a tax number (BR-S-02).", "seller")
    if not _has_scheme(invoice) and not invoice.seller.company_number:
        raise Refusal("opticshop-ubl-invoices.company", "The seller needs a company number (BR-CO-26).", "seller")


def _has_scheme(invoice: InvoiceFacts) -> bool:
    """Whether tax numbers are shown: not where everything is outside the scope of the tax (BR-O-02, BR-O-03)."""
    return all(one.category != "O" for one in invoice.subtotals)


def _head(root: Tree, invoice: InvoiceFacts, settings: Settings, document: Document) -> None:
    root.text("CustomizationID", settings.get("customization_id", EN_16931))
    root.text("ProfileID", settings.get("profile_id", ""))
    root.text("ID", invoice.number)
    root.text("IssueDate", invoice.issued_on.isoformat())
    tax_point = "" if invoice.tax_point_on is None else invoice.tax_point_on.isoformat()
    if document == "Invoice":
        root.text("DueDate", (invoice.due_on or invoice.issued_on).isoformat() if invoice.payable > 0 else "")
        root.text("InvoiceTypeCode", "380")
        root.text("Note", invoice.note)
        root.text("TaxPointDate", tax_point)
    else:
        root.text("TaxPointDate", tax_point)
        root.text("CreditNoteTypeCode", "381")
        root.text("Note", invoice.note)
    root.text("DocumentCurrencyCode", invoice.currency)
    root.text("BuyerReference", invoice.buyer_reference)
    if invoice.order_number:
        root.part("OrderReference").text("ID", invoice.order_number)
    if invoice.original is not None:
        reference = root.part("BillingReference").part("InvoiceDocumentReference")
        reference.text("ID", invoice.original.number)
        reference.text("IssueDate", invoice.original.issued_on.isoformat())


def _party(node: Tree, party: InvoiceParty, has_scheme: bool) -> None:
    address = node.part("PostalAddress")
    address.text("StreetName", party.street)
    address.text("AdditionalStreetName", party.more_street)
    address.text("CityName", party.city)
    address.text("PostalZone", party.postcode)
    address.part("Country").text("IdentificationCode", party.country)
    if party.tax_number and has_scheme:
        scheme = node.part("PartyTaxScheme")
        scheme.text("CompanyID", party.tax_number)
        scheme.part("TaxScheme").text("ID", "VAT")
    legal = node.part("PartyLegalEntity")
    legal.text("RegistrationName", party.name)
    legal.text("CompanyID", party.company_number)
    if party.phone or party.email:
        contact = node.part("Contact")
        contact.text("Telephone", party.phone)
        contact.text("ElectronicMail", party.email)


def _means(root: Tree, means: Set[str], iban: str) -> None:
    """One code (UBL-SR-47): several ways to pay, or a transfer to no account (BR-61), are written as not defined."""
    if not means:
        return
    node = root.part("PaymentMeans")
    if means == {"transfer"} and iban:
        node.text("PaymentMeansCode", _MEANS["transfer"])
        node.part("PayeeFinancialAccount").text("ID", iban)
    else:
        node.text("PaymentMeansCode", _MEANS["other" if len(means) > 1 or means == {"transfer"} else min(means)])


def _tax(root: Tree, invoice: InvoiceFacts) -> None:
    total = root.part("TaxTotal")
    total.amount("TaxAmount", invoice.tax_total, invoice.currency)
    for one in invoice.subtotals:
        node = total.part("TaxSubtotal")
        node.amount("TaxableAmount", one.taxable, invoice.currency)
        node.amount("TaxAmount", one.tax, invoice.currency)
        category = _category(node, "TaxCategory", one)
        category.text("TaxExemptionReason", one.reason)
        category.part("TaxScheme").text("ID", "VAT")


def _category(node: Tree, name: str, of: Subtotal | InvoiceLine) -> Tree:
    category = node.part(name)
    category.text("ID", of.category)
    category.text("Percent", "" if of.category == "O" else f"{of.rate_percent.normalize():f}")
    return category


def _totals(root: Tree, invoice: InvoiceFacts) -> None:
    totals = root.part("LegalMonetaryTotal")
    totals.amount("LineExtensionAmount", invoice.net_total, invoice.currency)
    totals.amount("TaxExclusiveAmount", invoice.net_total, invoice.currency)
    totals.amount("TaxInclusiveAmount", invoice.total, invoice.currency)
    totals.amount("PrepaidAmount", invoice.prepaid, invoice.currency)
    totals.amount("PayableAmount", invoice.payable, invoice.currency)


def _line(root: Tree, line: InvoiceLine, currency: str, document: Document) -> None:
    node = root.part("InvoiceLine" if document == "Invoice" else "CreditNoteLine")
    node.text("ID", str(line.number))
    quantity = "InvoicedQuantity" if document == "Invoice" else "CreditedQuantity"
    node.text(quantity, f"{line.quantity:f}", unitCode=line.unit)
    node.amount("LineExtensionAmount", line.net, currency)
    if line.allowance:
        allowance = node.part("AllowanceCharge")
        allowance.text("ChargeIndicator", "false")
        allowance.text("AllowanceChargeReason", line.allowance_reason)
        allowance.amount("Amount", line.allowance, currency)
    item = node.part("Item")
    item.text("Name", line.name)
    if line.code:
        item.part("SellersItemIdentification").text("ID", line.code)
    _category(item, "ClassifiedTaxCategory", line).part("TaxScheme").text("ID", "VAT")
    price = node.part("Price")
    price.amount("PriceAmount", line.price, currency)
    if line.base_quantity != 1:
        price.text("BaseQuantity", f"{line.base_quantity:f}", unitCode=line.unit)
