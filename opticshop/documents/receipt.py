"""The receipt of one payment, or of money given back, as one A4 page (more where the lines need it)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from . import pages, wording
from .errors import DocumentError
from .letterhead import Letterhead
from .pages import RULED, grey, table, text

_WIDTH = pages.PAGE_WIDTH - 28 * mm


@dataclass(frozen=True, slots=True)
class ReceiptLine:
    """One line of the price; gross includes tax and is after the discount."""

    description: str
    quantity: int
    unit_price: Decimal
    discount: Decimal
    gross: Decimal
    tax_category: str
    tax_rate_percent: Decimal
    tax: Decimal


@dataclass(frozen=True, slots=True)
class TaxPart:
    """What falls under one tax category and rate."""

    category: str
    rate_percent: Decimal
    net: Decimal
    tax: Decimal
    gross: Decimal

    def __post_init__(self) -> None:
        if self.net + self.tax != self.gross:
            raise DocumentError(f"{self.net} and {self.tax} of tax are not {self.gross}", field="tax_parts")


@dataclass(frozen=True, slots=True)
class ReceiptData:
    """Everything on a receipt.

    ``kind`` is deposit, balance or refund; ``amount`` is negative for a refund, which names the receipt it refers to
    (``refers_to``) and its ``reason``. ``tax_parts`` divide the total by category and rate, ``payment_parts`` the
    amount of this payment; ``tax_note`` is what the law on tax wants printed. Amounts are printed with the digits they
    have. Raises DocumentError when lines or parts do not add up to the penny.
    """

    letterhead: Letterhead
    number: str
    kind: str
    issued_on: dt.date
    tax_point_on: dt.date
    order_number: str
    currency: str
    lines: tuple[ReceiptLine, ...]
    tax_parts: tuple[TaxPart, ...]
    payment_parts: tuple[TaxPart, ...]
    total: Decimal
    paid_before: Decimal
    amount: Decimal
    method: str
    balance_due: Decimal
    reference: str = ""
    refers_to: str = ""
    reason: str = ""
    tax_note: str = ""
    invented: bool = False

    def __post_init__(self) -> None:
        if _sum(line.gross for line in self.lines) != self.total:
            raise DocumentError("the lines do not add up to the total", field="lines")
        if _sum(part.gross for part in self.tax_parts) != self.total:
            raise DocumentError("the tax summary does not add up to the total", field="tax_parts")
        if _sum(part.gross for part in self.payment_parts) != self.amount:
            raise DocumentError("the tax parts do not add up to the payment", field="payment_parts")


_TITLES = {"deposit": "Deposit receipt", "balance": "Receipt", "refund": "Refund"}


def receipt_pdf(data: ReceiptData) -> bytes:
    """The receipt as PDF; the same data gives the same bytes."""
    title = _TITLES.get(data.kind, "Receipt")
    story: list[Flowable] = [
        _head(data, title),
        Spacer(0, 8 * mm),
        _lines(data),
        Spacer(0, 5 * mm),
        KeepTogether([_sums(data), Spacer(0, 7 * mm), *_tax(data)]),
    ]
    return pages.build_pdf(
        story,
        title=f"{title} {data.number}",
        author=data.letterhead.name,
        foot=f"{title} {data.number}",
        invented=data.invented,
    )


def _head(data: ReceiptData, title: str) -> Table:
    facts = [
        text(title, 15, bold=True, right=True),
        text(data.number, 10, bold=True, right=True),
        grey(f"Issued {wording.day(data.issued_on)}", right=True),
        grey(f"Tax point {wording.day(data.tax_point_on)}", right=True),
        grey(f"Order {data.order_number}", right=True),
    ]
    if data.refers_to:
        facts.append(grey(f"Refers to receipt {data.refers_to}", right=True))
    return table(
        [[pages.letterhead_block(data.letterhead), facts]],
        [_WIDTH * 0.55, _WIDTH * 0.45],
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    )


def _lines(data: ReceiptData) -> Table:
    rows: list[Sequence[Any]] = [_heads("", "Quantity", "Unit price", "Discount", "Gross", "Tax", "of which tax")]
    for line in data.lines:
        figures = (
            str(line.quantity),
            _money(line.unit_price, data),
            _money(-line.discount, data) if line.discount else wording.DASH,
            _money(line.gross, data),
            _rate(line.tax_category, line.tax_rate_percent),
            _money(line.tax, data),
        )
        rows.append([text(line.description, 8.5), *(text(figure, 8.5, right=True) for figure in figures)])
    widths = [_WIDTH - 123 * mm, 15 * mm, 21 * mm, 19 * mm, 21 * mm, 26 * mm, 21 * mm]
    return table(rows, widths, *RULED, ("BACKGROUND", (0, 0), (-1, 0), pages.SHADE), repeatRows=1)


def _sums(data: ReceiptData) -> Table:
    by = f"by {data.method}" + (f", {data.reference}" if data.reference else "")
    what = {"deposit": "Deposit paid now", "refund": "Given back now"}.get(data.kind, "Paid now")
    amount = -data.amount if data.kind == "refund" else data.amount
    rows = [
        ("Total", data.total, False),
        ("Paid before", data.paid_before, False),
        (f"{what} {by}", amount, True),
        ("Balance due", data.balance_due, True),
    ]
    cells: list[list[Any]] = [
        ["", text(name, 9, bold=bold), text(_money(value, data), 9, bold=bold, right=True)]
        for name, value, bold in rows
    ]
    if data.reason:
        cells.insert(3, ["", grey(f"Reason: {data.reason}"), ""])
    name_width = 78 * mm
    return table(
        cells,
        [_WIDTH - name_width - 30 * mm, name_width, 30 * mm],
        ("LINEABOVE", (1, 0), (-1, 0), 0.8, pages.INK),
        ("LINEABOVE", (1, -1), (-1, -1), 0.4, pages.RULE),
        ("LINEBELOW", (1, -1), (-1, -1), 0.8, pages.INK),
    )


def _tax(data: ReceiptData) -> list[Flowable]:
    """The tax of the whole price, and the part of it that this payment covers."""
    return [
        *_tax_table("Tax in the total", data.tax_parts, data),
        Spacer(0, 4 * mm),
        *_tax_table("Tax in this payment" if data.kind != "refund" else "Tax given back", data.payment_parts, data),
        *([Spacer(0, 2 * mm), grey(data.tax_note)] if data.tax_note else []),
    ]


def _tax_table(title: str, parts: tuple[TaxPart, ...], data: ReceiptData) -> list[Flowable]:
    rows: list[Sequence[Any]] = [_heads(title, "Net", "Tax", "Gross")]
    for part in parts:
        figures = (part.net, part.tax, part.gross)
        rows.append(
            [
                text(_rate(part.category, part.rate_percent)),
                *(text(_money(figure, data), right=True) for figure in figures),
            ]
        )
    sums = (_sum(p.net for p in parts), _sum(p.tax for p in parts), _sum(p.gross for p in parts))
    rows.append([text("Together", bold=True), *(text(_money(each, data), bold=True, right=True) for each in sums)])
    return [table(rows, [60 * mm, 26 * mm, 26 * mm, 26 * mm], *RULED, ("BACKGROUND", (0, 0), (-1, 0), pages.SHADE))]


def _heads(first: str, *others: str) -> list[Any]:
    return [grey(first, 7.5), *(grey(name, 7.5, right=True) for name in others)]


def _rate(category: str, percent: Decimal) -> str:
    return f"{category} {percent.normalize():f}%" if percent else category


def _money(amount: Decimal, data: ReceiptData) -> str:
    return wording.money(amount, data.currency)


def _sum(amounts: Iterable[Decimal]) -> Decimal:
    return sum(amounts, Decimal(0))
