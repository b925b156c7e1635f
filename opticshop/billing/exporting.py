"""An invoice or credit note for somebody else's program: its frozen figures as the facts that exporters take.

Nothing is computed anew but what the frozen figures imply: whether prices were net, and how tax was rounded. A credit
note has no price lines; it gets one line for each rate that it lowers.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from opticshop.core.errors import Conflict
from opticshop.core.money import minor_unit
from opticshop.plugin_api import (
    InvalidFacts,
    InvoiceFacts,
    InvoiceLine,
    InvoiceParty,
    InvoiceReference,
    InvoiceTaxSubtotal,
    TaxCategoryCode,
)
from opticshop.plugin_api.invoices import InvoiceMeans, InvoiceRounding
from opticshop.pluginhost import services as plugins

from .models import Invoice, Payment

_CODES: dict[str, TaxCategoryCode] = {"standard": "S", "reduced": "S", "zero": "Z", "exempt": "E", "outside": "O"}
_NO_TAX = "No tax is due on this supply"
_MEANS: dict[str, InvoiceMeans] = {
    Payment.Method.CASH: "cash",
    Payment.Method.CARD: "card",
    Payment.Method.TRANSFER: "transfer",
}


class CannotBeExported(Conflict):
    """The figures of the document do not agree in the way that an exported one must; names what does not."""

    code = "billing.cannot_be_exported"
    title = "This document cannot be exported"


@dataclass(frozen=True, slots=True)
class Exported:
    """A document in one format."""

    body: bytes
    media_type: str
    file_name: str


def exported(invoice: Invoice, *, exporter: str) -> Exported:
    """The invoice by an exporter of a plugin. The caller has seen to it that the actor may see the invoice.

    Raises PluginNotAvailable, PluginRefused for what the format has no place for, CannotBeExported.
    """
    bound = plugins.invoice_exporter(branch=invoice.branch, name=exporter)
    body = bound.export(facts_of(invoice))
    return Exported(body, bound.media_type, f"{invoice.number}.{bound.file_extension}")


def facts_of(invoice: Invoice) -> InvoiceFacts:
    """The frozen figures as facts. Raises CannotBeExported."""
    try:
        return _facts(invoice)
    except InvalidFacts as error:
        raise CannotBeExported(f"{invoice.number}: {error.message}.", field=error.field) from error


def _facts(invoice: Invoice) -> InvoiceFacts:
    content: Mapping[str, Any] = invoice.content
    is_credit = invoice.kind == Invoice.Kind.CREDIT_NOTE
    priced = invoice.credits.content if is_credit and invoice.credits is not None else content
    refers_to = content["refers_to"]
    lines = tuple(_corrections(invoice) if is_credit else _lines(content))
    return InvoiceFacts(
        kind="credit_note" if is_credit else "invoice",
        number=invoice.number,
        issued_on=invoice.issued_on,
        supplied_on=dt.date.fromisoformat(content["supplied_on"]) if content["supplied_on"] else None,
        currency=invoice.currency,
        minor_unit=minor_unit(invoice.currency),
        seller=_party(content["seller"], content["seller"]["country"]),
        buyer=_party(content["buyer"], content["seller"]["country"]),
        lines=lines,
        subtotals=tuple(_subtotals(lines, content.get("tax_reasons", {}))),
        net_total=Decimal(content["net_total"]),
        tax_total=Decimal(content["tax_total"]),
        total=Decimal(content["total"]),
        prepaid=Decimal(content["paid"]),
        payable=Decimal(content["payable"]),
        means=() if is_credit else _means(invoice),
        original=InvoiceReference(number=refers_to["number"], issued_on=dt.date.fromisoformat(refers_to["issued_on"]))
        if refers_to
        else None,
        order_number=content["order"]["number"],
        note=" ".join(words for words in (content["reason"], content.get("tax_note", "")) if words),
        prices_include_tax=_includes_tax(priced),
        tax_rounding=_rounding(content, is_credit),
    )


def _party(party: Mapping[str, str], country: str) -> InvoiceParty:
    """The address as it is printed, line by line: the first line is the street, what follows stands beside it."""
    street, *more = [line.strip() for line in party["address"].splitlines() if line.strip()] or [""]
    return InvoiceParty(
        name=party["name"],
        country=party.get("country") or country,
        street=street,
        more_street=", ".join(more),
        tax_number=_tax_number(party["tax_number"], party.get("country") or country),
        phone=party.get("phone", ""),
    )


def _tax_number(written: str, country: str) -> str:
    """Without spaces and with its country before it, as EN 16931 wants it (BR-CO-9)."""
    number = "".join(written.split()).upper()
    return number if not number or number[:2].isalpha() else country + number


def _lines(content: Mapping[str, Any]) -> Iterator[InvoiceLine]:
    """The net of a line is its price for the whole quantity, after the discount: one piece's may have no end."""
    for number, line in enumerate(content["lines"], start=1):
        tax, quantity = Decimal(line["tax"]), Decimal(line["quantity"])
        net = Decimal(line["gross"]) - tax
        yield InvoiceLine(
            number=number,
            name=line["description"],
            quantity=quantity,
            base_quantity=quantity,
            price=net,
            net=net,
            tax=tax,
            category=_category(line["tax_category"], line["tax_rate_percent"]),
            rate_percent=Decimal(line["tax_rate_percent"]),
        )


def _corrections(invoice: Invoice) -> Iterator[InvoiceLine]:
    for number, part in enumerate(invoice.content["tax_summary"], start=1):
        yield InvoiceLine(
            number=number,
            name=f"Correction: {invoice.reason}",
            quantity=Decimal(1),
            price=Decimal(part["net"]),
            net=Decimal(part["net"]),
            tax=Decimal(part["tax"]),
            category=_category(part["category"], part["rate_percent"]),
            rate_percent=Decimal(part["rate_percent"]),
        )


def _subtotals(lines: Iterable[InvoiceLine], reasons: Mapping[str, str]) -> Iterator[InvoiceTaxSubtotal]:
    """By code and rate of the lines: there standard and reduced are one category, and what costs nothing has one."""
    sums: dict[tuple[TaxCategoryCode, Decimal], tuple[Decimal, Decimal]] = {}
    for line in lines:
        taxable, tax = sums.get((line.category, line.rate_percent), (Decimal(0), Decimal(0)))
        sums[line.category, line.rate_percent] = (taxable + line.net, tax + line.tax)
    words = {"E": reasons.get("exempt", _NO_TAX), "O": reasons.get("outside", _NO_TAX)}
    for (category, rate), (taxable, tax) in sums.items():
        yield InvoiceTaxSubtotal(
            category=category, rate_percent=rate, taxable=taxable, tax=tax, reason=words.get(category, "")
        )


def _category(word: str, rate_percent: str) -> TaxCategoryCode:
    """A standard rate of nothing is the zero rate."""
    code = _CODES.get(word)
    if code is None:
        raise InvalidFacts(f"{word!r} is no tax category", field="tax_category")
    return "Z" if code == "S" and not Decimal(rate_percent) else code


def _includes_tax(content: Mapping[str, Any]) -> bool:
    """Whether the prices did: then a line comes to quantity x price less discount, tax and all."""
    return all(
        line["quantity"] * Decimal(line["unit_price"]) - Decimal(line["discount"]) == Decimal(line["gross"])
        for line in content["lines"]
    )


def _rounding(content: Mapping[str, Any], is_credit: bool) -> InvoiceRounding:
    """By a tax rule once for each rate, without one line by line; a credit note has its share of either."""
    if is_credit:
        return "shared"
    return "per_rate" if "tax_note" in content else "per_line"


def _means(invoice: Invoice) -> tuple[InvoiceMeans, ...]:
    """How what was paid before was paid. The ids of rows are in the order of their writing."""
    payments = Payment.objects.everywhere("of an invoice the caller may see")
    before = payments.filter(order_id=invoice.order_id, amount__gt=0, id__lt=invoice.id)
    return tuple(_MEANS.get(method, "other") for method in before.order_by("method").values_list("method", flat=True))
