"""A full invoice of an order, or the credit note that corrects one, as A4 pages."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from . import pages, wording
from .errors import DocumentError
from .letterhead import Letterhead
from .pages import RULED, grey, table, text
from .receipt import ReceiptLine, TaxPart

_WIDTH = pages.PAGE_WIDTH - 28 * mm


@dataclass(frozen=True, slots=True)
class InvoiceData:
    """Everything on an invoice. Amounts of a credit note are positive; it names the invoice it corrects and why.

    Raises DocumentError when lines or parts do not add up to the penny.
    """

    letterhead: Letterhead
    number: str
    is_credit_note: bool
    issued_on: dt.date
    supplied_on: dt.date | None
    buyer_name: str
    buyer_address: str
    buyer_tax_number: str
    order_number: str
    currency: str
    lines: tuple[ReceiptLine, ...]
    tax_parts: tuple[TaxPart, ...]
    total: Decimal
    paid: Decimal
    refers_to: str = ""
    reason: str = ""
    tax_note: str = ""
    invented: bool = False

    def __post_init__(self) -> None:
        if self.lines and sum((line.gross for line in self.lines), Decimal(0)) != self.total:
            raise DocumentError("the lines do not add up to the total", field="lines")
        if sum((part.gross for part in self.tax_parts), Decimal(0)) != self.total:
            raise DocumentError("the tax summary does not add up to the total", field="tax_parts")
        if self.is_credit_note and not (self.refers_to and self.reason):
            raise DocumentError("a credit note names the invoice it corrects and the reason", field="refers_to")

    @property
    def title(self) -> str:
        return "Credit note" if self.is_credit_note else "Invoice"


def invoice_pdf(data: InvoiceData) -> bytes:
    """The invoice as PDF; the same data gives the same bytes."""
    story: list[Flowable] = [_head(data), Spacer(0, 8 * mm)]
    if data.lines:
        story += [_lines(data), Spacer(0, 5 * mm)]
    if data.reason:
        story += [text(data.reason, 9, lead="Reason:", after=4 * mm)]
    story += [KeepTogether([_tax(data), Spacer(0, 5 * mm), _sums(data)])]
    if data.tax_note:
        story += [Spacer(0, 5 * mm), grey(data.tax_note)]
    return pages.build_pdf(
        story,
        title=f"{data.title} {data.number}",
        author=data.letterhead.name,
        foot=f"{data.title} {data.number}",
        invented=data.invented,
    )


def _head(data: InvoiceData) -> Table:
    supplied = f"Supplied {wording.day(data.supplied_on)}" if data.supplied_on else "Not supplied yet"
    facts = [
        text(data.title, 15, bold=True, right=True),
        text(data.number, 10, bold=True, right=True),
        grey(f"Issued {wording.day(data.issued_on)}", right=True),
        grey(f"Corrects invoice {data.refers_to}" if data.is_credit_note else supplied, right=True),
        grey(f"Order {data.order_number}", right=True),
    ]
    buyer: list[Flowable] = [grey("To"), text(data.buyer_name, 10, bold=True)]
    buyer += [text(words) for words in (data.buyer_address,) if words]
    buyer += [grey(f"Tax no. {words}") for words in (data.buyer_tax_number,) if words]
    return table(
        [[pages.letterhead_block(data.letterhead), facts], [buyer, ""]],
        [_WIDTH * 0.55, _WIDTH * 0.45],
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 1), (-1, 1), 6 * mm),
    )


def _lines(data: InvoiceData) -> Table:
    heads = ("Quantity", "Unit price", "Discount", "Tax", "Net", "Gross")
    rows: list[Sequence[Any]] = [[grey("", 7.5), *(grey(head, 7.5, right=True) for head in heads)]]
    for line in data.lines:
        figures = (
            str(line.quantity),
            wording.money(line.unit_price, data.currency),
            wording.money(-line.discount, data.currency) if line.discount else wording.DASH,
            _rate(line.tax_category, line.tax_rate_percent),
            wording.money(line.gross - line.tax, data.currency),
            wording.money(line.gross, data.currency),
        )
        rows.append([text(line.description, 8.5), *(text(figure, 8.5, right=True) for figure in figures)])
    widths = [_WIDTH - 123 * mm, 15 * mm, 21 * mm, 19 * mm, 26 * mm, 21 * mm, 21 * mm]
    return table(rows, widths, *RULED, ("BACKGROUND", (0, 0), (-1, 0), pages.SHADE), repeatRows=1)


def _tax(data: InvoiceData) -> Table:
    rows: list[Sequence[Any]] = [
        [grey("By rate of tax", 7.5), *(grey(head, 7.5, right=True) for head in ("Net", "Tax", "Gross"))]
    ]
    for part in data.tax_parts:
        figures = (part.net, part.tax, part.gross)
        rows.append(
            [
                text(_rate(part.category, part.rate_percent)),
                *(text(wording.money(figure, data.currency), right=True) for figure in figures),
            ]
        )
    widths = [60 * mm, 26 * mm, 26 * mm, 26 * mm]
    return table(rows, widths, *RULED, ("BACKGROUND", (0, 0), (-1, 0), pages.SHADE))


def _sums(data: InvoiceData) -> Table:
    net = sum((part.net for part in data.tax_parts), Decimal(0))
    tax = sum((part.tax for part in data.tax_parts), Decimal(0))
    rows = [("Net", net, False), ("Tax", tax, False), ("Total", data.total, True)]
    if not data.is_credit_note:
        rows += [("Paid by the day of this invoice", data.paid, False), ("To pay", data.total - data.paid, True)]
    cells: list[list[Any]] = [
        ["", text(name, 9, bold=bold), text(wording.money(value, data.currency), 9, bold=bold, right=True)]
        for name, value, bold in rows
    ]
    name_width = 78 * mm
    return table(
        cells,
        [_WIDTH - name_width - 30 * mm, name_width, 30 * mm],
        ("LINEABOVE", (1, 0), (-1, 0), 0.8, pages.INK),
        ("LINEBELOW", (1, -1), (-1, -1), 0.8, pages.INK),
    )


def _rate(category: str, percent: Decimal) -> str:
    return f"{category} {percent.normalize():f}%" if percent else category
