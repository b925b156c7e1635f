"""Tax of a priced pair: by the rule that the branch has picked or, without one, as the catalogue marks each article.

As the catalogue marks it: the category of the article at the rate of the day, rounded half up once per line; out of
the price (gross x rate / (100 + rate)) where prices include tax, added to it (net x rate / 100) where they do not.

By a rule: the rule divides each line into parts by category. Every frozen line has one category, because an invoice
under EN 16931 wants it so; a line of several parts keeps the first and is followed by a line of kind ``share`` for
each other one, which is taken off it as if it were a discount. What is sold and at what price stays visible, the lines
add up as they stand, and ``pricing.kept`` puts them together again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from opticshop.branches.models import Branch
from opticshop.catalogue.models import ServiceItem, TaxCategory
from opticshop.catalogue.selectors import tax_rate_on
from opticshop.core.errors import Conflict
from opticshop.core.money import minor_unit, rounded, tax_within
from opticshop.plugin_api import TaxBasket, TaxedKind, TaxLine, TaxPart
from opticshop.pluginhost import services as plugins

from .pricing import SHARE, Priced, Reason

_WORDS = {"S": "standard", "Z": "zero", "E": "exempt", "O": "outside"}
_RATE_UNIT = Decimal("0.01")


class RateTooFine(Conflict):
    """A tax rule states a rate with more than two decimals of a percent, which no document can show."""

    code = "orders.rate_too_fine"
    title = "The rate of tax is too fine to be shown"


def taxed(lines: Sequence[Priced], *, branch: Branch, day: dt.date) -> tuple[list[Priced], dict[str, Any] | None]:
    """The lines with their tax, and what the rule says of it (None without a rule), to be kept with the order.

    Raises TaxRateMissing without a rule; PluginNotAvailable, PluginRefused, PluginDefect or RateTooFine with one.
    """
    if not branch.tax_rule:
        return [_as_marked(line, branch, day) for line in lines], None
    basket = TaxBasket(
        country=branch.country,
        place=branch.jurisdiction,
        day=day,
        currency=branch.currency,
        minor_unit=minor_unit(branch.currency),
        lines=tuple(_line(line, branch) for line in lines),
    )
    found = plugins.tax_assess(branch=branch, rule=branch.tax_rule, basket=basket)
    result: list[Priced] = []
    for line, assessed in zip(lines, found.assessment.lines, strict=True):
        result += _divided(line, assessed.parts, branch)
    record = {
        "rule": found.rule,
        "title": found.title,
        "plugin": found.plugin,
        "version": found.version,
        "rounding": found.assessment.rounding.to_dict(),
        "note": found.assessment.note,
        "source": found.assessment.source,
        "confidence": found.assessment.confidence.value,
        "reasons": {_word(part): part.reason for part in found.assessment.parts if part.reason},
    }
    return result, record


def _as_marked(line: Priced, branch: Branch, day: dt.date) -> Priced:
    rate = tax_rate_on(branch.jurisdiction, line.tax_category, day).percent
    if branch.prices_include_tax:
        return replace(line, tax_rate_percent=rate, tax=tax_within(line.gross, rate, branch.currency))
    tax = rounded(line.gross * rate / 100, branch.currency)
    return replace(line, tax_rate_percent=rate, tax=tax, tax_added=tax)


def _line(line: Priced, branch: Branch) -> TaxLine:
    return TaxLine(
        code=line.sku,
        kind=_kind(line),
        price=line.gross,
        category=line.tax_category,  # type: ignore[arg-type]
        inclusive=branch.prices_include_tax,
        quantity=Decimal(line.quantity),
    )


def _kind(line: Priced) -> TaxedKind:
    """A surcharge is taken for part of what it was put on: of the goods, or of the dispensing if that is exempt."""
    if line.kind == "adjustment":
        return "dispensing" if line.tax_category == TaxCategory.EXEMPT else "treatment"
    if line.kind == "service":
        return "dispensing" if isinstance(line.article, ServiceItem) and line.article.is_dispensing else "service"
    return line.kind  # type: ignore[return-value]


def _divided(line: Priced, parts: Sequence[TaxPart], branch: Branch) -> list[Priced]:
    """The line with its first part, and a line for each other part that is taken off it."""
    first, *others = parts
    divided = []
    for part in others:
        what = f"{(part.kind or line.kind).capitalize()} in the price of {line.description}"
        price = part.gross if branch.prices_include_tax else part.net
        why = Reason("tax", branch.tax_rule, f"{what}: stated on a line of its own", -price)
        line = replace(line, discount=line.discount + price, reasons=(*line.reasons, why))
        share = Priced(SHARE, line.sku, what[:200], price, "", line.eye, reasons=(replace(why, amount=price),))
        divided.append(_with(share, part))
    return [_with(line, first), *divided]


def _with(line: Priced, part: TaxPart) -> Priced:
    if part.rate_percent % _RATE_UNIT:
        raise RateTooFine(f"{part.rate_percent}% has more than two decimals.", field="tax_rule")
    return replace(
        line,
        tax_category=_word(part),
        tax_rate_percent=part.rate_percent,
        tax=part.tax,
        tax_added=part.gross - line.gross,
    )


def _word(part: TaxPart) -> str:
    """The category as the catalogue would call it."""
    return "reduced" if part.reduced else _WORDS[part.category]
