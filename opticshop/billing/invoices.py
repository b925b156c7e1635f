"""The figures of an invoice or credit note: frozen as JSON when it is issued, read back when it is printed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from opticshop.core.money import rounded
from opticshop.documents.invoice import InvoiceData
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.receipt import TaxPart
from opticshop.orders.models import Order, OrderLine

from .models import Invoice
from .receipts import line_from_json, lines_as_json, parts_from_json, seller_of
from .tax_parts import parts_as_json, tax_words


def content_of(
    *,
    order: Order,
    lines: Sequence[OrderLine],
    parts: Sequence[TaxPart],
    buyer: Mapping[str, str],
    issued_on: dt.date,
    supplied_on: dt.date | None,
    paid: Decimal,
    refers_to: Mapping[str, str] | None = None,
    reason: str = "",
) -> dict[str, Any]:
    """Everything an invoice states. A credit note has no price lines: it says what falls off each rate, and of what."""
    currency = order.currency
    total = sum((part.gross for part in parts), Decimal(0))

    def money(amount: Decimal) -> str:
        return str(rounded(amount, currency))

    return {
        "seller": {**seller_of(order.branch), "country": order.branch.country},
        "buyer": dict(buyer),
        "issued_on": issued_on.isoformat(),
        "supplied_on": supplied_on.isoformat() if supplied_on else None,
        "order": {"id": str(order.id), "number": order.number},
        "currency": currency,
        "lines": lines_as_json(lines, currency),
        "tax_summary": parts_as_json(parts),
        **tax_words(order),
        "net_total": money(sum((part.net for part in parts), Decimal(0))),
        "tax_total": money(sum((part.tax for part in parts), Decimal(0))),
        "total": money(total),
        "paid": money(paid),
        "payable": money(total - paid),
        "refers_to": dict(refers_to) if refers_to else None,
        "reason": reason,
    }


def printable(invoice: Invoice, *, invented: bool) -> InvoiceData:
    """The frozen figures in the shape the printer takes."""
    content: Mapping[str, Any] = invoice.content
    seller = {name: content["seller"][name] for name in ("name", "address", "phone", "tax_number")}
    refers_to = content["refers_to"] or {}
    return InvoiceData(
        letterhead=Letterhead(**seller),
        number=invoice.number,
        is_credit_note=invoice.kind == Invoice.Kind.CREDIT_NOTE,
        issued_on=dt.date.fromisoformat(content["issued_on"]),
        supplied_on=dt.date.fromisoformat(content["supplied_on"]) if content["supplied_on"] else None,
        buyer_name=content["buyer"]["name"],
        buyer_address=content["buyer"]["address"],
        buyer_tax_number=content["buyer"]["tax_number"],
        order_number=content["order"]["number"],
        currency=content["currency"],
        lines=tuple(line_from_json(line) for line in content["lines"]),
        tax_parts=parts_from_json(content["tax_summary"]),
        total=Decimal(content["total"]),
        paid=Decimal(content["paid"]),
        refers_to=refers_to.get("number", ""),
        reason=content["reason"],
        tax_note=content.get("tax_note", ""),
        invented=invented,
    )
