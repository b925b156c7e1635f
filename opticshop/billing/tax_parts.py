"""Tax by category and rate: of the whole price, and of the part of it that a payment covers.

A payment is a tax point for the part of the supply that it pays for, divided between the rates as the price is
(common practice, from memory). Whatever the order of payments and refunds, their parts add up to the parts of the
price once it is paid, and to nothing once all is given back: each part is the difference of two running sums.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any, Protocol

from opticshop.core.money import minor_unit, rounded
from opticshop.documents.receipt import TaxPart
from opticshop.orders.models import Order


class PricedLine(Protocol):
    tax_category: str
    tax_rate_percent: Decimal
    gross: Decimal
    tax: Decimal


def tax_summary(lines: Iterable[PricedLine], currency: str) -> list[TaxPart]:
    """Lines added up by (category, rate), in order of first appearance. Nothing is rounded again."""
    sums: dict[tuple[str, Decimal], list[Decimal]] = {}
    for line in lines:
        entry = sums.setdefault((line.tax_category, line.tax_rate_percent), [Decimal(0), Decimal(0)])
        entry[0] += line.gross
        entry[1] += line.tax
    unit = minor_unit(currency)
    return [
        TaxPart(category, rate, (gross - tax).quantize(unit), tax.quantize(unit), gross.quantize(unit))
        for (category, rate), (gross, tax) in sums.items()
    ]


def parts_covered(summary: Sequence[TaxPart], paid: Decimal, currency: str) -> list[TaxPart]:
    """What the first ``paid`` of the price covers of each part; the parts add up to ``paid`` exactly.

    The running sum of the gross amounts, in the order of the summary, is scaled by paid / total and rounded half up;
    a part is the difference of two neighbours. Its tax keeps the proportion it has in the whole part.
    """
    total = sum((part.gross for part in summary), Decimal(0))
    covered, running, before = [], Decimal(0), rounded(Decimal(0), currency)
    for part in summary:
        running += part.gross
        after = rounded(running * paid / total, currency) if total else before
        gross = after - before
        tax = rounded(part.tax * gross / part.gross, currency) if part.gross else before - before
        covered.append(TaxPart(part.category, part.rate_percent, gross - tax, tax, gross))
        before = after
    return covered


def parts_of_payment(
    summary: Sequence[TaxPart], *, paid_before: Decimal, amount: Decimal, currency: str
) -> list[TaxPart]:
    """The part of each rate that a payment covers, or that a refund (negative) gives back."""
    earlier = parts_covered(summary, paid_before, currency)
    later = parts_covered(summary, paid_before + amount, currency)
    return [
        TaxPart(new.category, new.rate_percent, new.net - old.net, new.tax - old.tax, new.gross - old.gross)
        for old, new in zip(earlier, later, strict=True)
    ]


def tax_words(order: Order) -> dict[str, Any]:
    """What the tax rule of the branch wants printed, and why no tax is due; nothing where there was no rule."""
    tax = order.computation.get("tax")
    return {"tax_note": tax["note"], "tax_reasons": tax["reasons"]} if tax else {}


def parts_as_json(parts: Iterable[TaxPart]) -> list[dict[str, str]]:
    return [
        {
            "category": part.category,
            "rate_percent": str(part.rate_percent),
            "net": str(part.net),
            "tax": str(part.tax),
            "gross": str(part.gross),
        }
        for part in parts
    ]
