"""The figures of a receipt: frozen as JSON when it is written, read back when it is printed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.errors import Conflict
from opticshop.core.money import rounded
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.receipt import ReceiptData, ReceiptLine, TaxPart
from opticshop.orders.models import Order, OrderLine

from .models import Payment, Receipt
from .tax_parts import parts_as_json, tax_summary, tax_words


class OrderDoesNotAddUp(Conflict):
    """The lines of an order and its total differ, so no receipt can be written for it."""

    code = "billing.order_does_not_add_up"
    title = "The order's lines do not add up to its total"


def summary_of(order: Order, lines: Sequence[OrderLine]) -> list[TaxPart]:
    """The price by category and rate. Raises OrderDoesNotAddUp."""
    summary = tax_summary(lines, order.currency)
    if sum(part.gross for part in summary) != order.total or sum(part.tax for part in summary) != order.tax_total:
        raise OrderDoesNotAddUp(f"The lines of {order.number} do not add up to its total.")
    return summary


def seller_of(branch: Branch) -> dict[str, str]:
    return {
        "name": branch.name,
        "address": branch.address,
        "phone": branch.phone,
        "tax_number": branch.tax_number,
    }


def lines_as_json(lines: Iterable[OrderLine], currency: str) -> list[dict[str, Any]]:
    def money(amount: Decimal) -> str:
        return str(rounded(amount, currency))

    return [
        {
            "description": line.description,
            "quantity": line.quantity,
            "unit_price": money(line.unit_price),
            "discount": money(line.discount),
            "gross": money(line.gross),
            "tax_category": line.tax_category,
            "tax_rate_percent": str(line.tax_rate_percent),
            "tax": money(line.tax),
        }
        for line in lines
    ]


def content_of(
    *,
    payment: Payment,
    order: Order,
    lines: Sequence[OrderLine],
    summary: Sequence[TaxPart],
    parts: Sequence[TaxPart],
    paid_before: Decimal,
    balance_due: Decimal,
) -> dict[str, Any]:
    """Everything a receipt states, as JSON: money, rates and days are text. Nobody's name is in it but the seller's."""
    currency, branch = order.currency, order.branch
    issued_on = clock.today(branch.time_zone)

    def money(amount: Decimal) -> str:
        return str(rounded(amount, currency))

    return {
        "kind": str(payment.kind),
        "is_deposit": payment.kind == Payment.Kind.DEPOSIT,
        "seller": seller_of(branch),
        "issued_on": issued_on.isoformat(),
        "tax_point_on": _tax_point(payment, order, issued_on).isoformat(),
        "order": {"id": str(order.id), "number": order.number},
        "currency": currency,
        "lines": lines_as_json(lines, currency),
        "tax_summary": parts_as_json(summary),
        "payment_tax": parts_as_json(parts),
        **tax_words(order),
        "total": money(order.total),
        "tax_total": money(order.tax_total),
        "paid_before": money(paid_before),
        "amount": money(payment.amount),
        "method": str(payment.method),
        "reference": payment.reference,
        "balance_due": money(balance_due),
        "refers_to": payment.refunds.receipt.number if payment.refunds is not None else "",
        "reason": payment.reason,
    }


def _tax_point(payment: Payment, order: Order, today: dt.date) -> dt.date:
    """The earlier of payment and supply; money given back counts on the day it is given."""
    if payment.kind == Payment.Kind.REFUND or order.collected_at is None:
        return today
    return min(today, order.collected_at.astimezone(ZoneInfo(order.branch.time_zone)).date())


def printable(receipt: Receipt, *, invented: bool) -> ReceiptData:
    """The frozen figures in the shape the printer takes."""
    content: Mapping[str, Any] = receipt.content
    return ReceiptData(
        letterhead=Letterhead(**content["seller"]),
        number=receipt.number,
        kind=content["kind"],
        issued_on=dt.date.fromisoformat(content["issued_on"]),
        tax_point_on=dt.date.fromisoformat(content["tax_point_on"]),
        order_number=content["order"]["number"],
        currency=content["currency"],
        lines=tuple(line_from_json(line) for line in content["lines"]),
        tax_parts=parts_from_json(content["tax_summary"]),
        payment_parts=parts_from_json(content["payment_tax"]),
        total=Decimal(content["total"]),
        paid_before=Decimal(content["paid_before"]),
        amount=Decimal(content["amount"]),
        method=content["method"],
        reference=content["reference"],
        balance_due=Decimal(content["balance_due"]),
        refers_to=content["refers_to"],
        reason=content["reason"],
        tax_note=content.get("tax_note", ""),
        invented=invented,
    )


def line_from_json(line: Mapping[str, Any]) -> ReceiptLine:
    return ReceiptLine(
        description=line["description"],
        quantity=line["quantity"],
        unit_price=Decimal(line["unit_price"]),
        discount=Decimal(line["discount"]),
        gross=Decimal(line["gross"]),
        tax_category=line["tax_category"],
        tax_rate_percent=Decimal(line["tax_rate_percent"]),
        tax=Decimal(line["tax"]),
    )


def parts_from_json(parts: Iterable[Mapping[str, str]]) -> tuple[TaxPart, ...]:
    return tuple(
        TaxPart(
            part["category"],
            Decimal(part["rate_percent"]),
            Decimal(part["net"]),
            Decimal(part["tax"]),
            Decimal(part["gross"]),
        )
        for part in parts
    )
