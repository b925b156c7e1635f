"""From articles to price lines: list prices, adjustments decided by plugins, tax within the gross amount.

Prices are gross. The tax of a line is gross x rate / (100 + rate), rounded half up once per line; the tax of the
order is the sum of its lines, so lines and totals always agree to the penny.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import ROUND_DOWN, Decimal

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct, ServiceItem
from opticshop.catalogue.selectors import tax_rate_on
from opticshop.core.errors import Conflict
from opticshop.core.money import minor_unit, rounded, tax_within
from opticshop.plugin_api import PriceAdjustment, PriceLine, PricingContext
from opticshop.plugin_api.pricing import PriceLineKind
from opticshop.pluginhost import services as plugins

ZERO = Decimal("0.00")


class CurrencyMismatch(Conflict):
    """An article is priced in another currency than the branch trades in."""

    code = "orders.currency_mismatch"
    title = "The article has no price in this branch's currency"


@dataclass(frozen=True, slots=True)
class Priced:
    """One price line before it becomes a row."""

    kind: str
    sku: str
    description: str
    unit_price: Decimal
    tax_category: str
    eye: str = ""
    quantity: int = 1
    discount: Decimal = ZERO
    reasons: tuple[str, ...] = field(default=())
    tax_rate_percent: Decimal = ZERO
    tax: Decimal = ZERO

    @property
    def gross(self) -> Decimal:
        return self.quantity * self.unit_price - self.discount


def price(
    *,
    branch: Branch,
    frame: Frame | None,
    lenses: dict[str, LensProduct],
    services: Sequence[ServiceItem],
    customer_age: int | None,
    prescription_issued_on: dt.date,
    day: dt.date,
) -> list[Priced]:
    """The lines of one pair, with what price rules of active plugins decided and the tax contained in each."""
    lines = [_line("frame", frame, branch)] if frame is not None else []
    lines += [_line("lens", product, branch, eye=eye) for eye, product in lenses.items()]
    lines += [_line("service", item, branch) for item in services]
    context = PricingContext(
        branch_code=branch.code,
        currency=branch.currency,
        priced_on=day,
        customer_age=customer_age,
        prescription_issued_on=prescription_issued_on,
        lines=tuple(
            PriceLine(
                kind=_plugin_kind(line.kind),
                sku=line.sku,
                description=line.description,
                quantity=Decimal(line.quantity),
                unit_price=line.unit_price,
                eye=line.eye or None,  # type: ignore[arg-type]
            )
            for line in lines
        ),
    )
    for adjustment in plugins.decide_order_price(branch=branch, context=context):
        lines = _adjusted(lines, adjustment, branch.currency)
    return [_taxed(line, branch, day) for line in lines]


def _plugin_kind(kind: str) -> PriceLineKind:
    return "fee" if kind == "service" else kind  # type: ignore[return-value]


def _line(kind: str, article: Frame | LensProduct | ServiceItem, branch: Branch, eye: str = "") -> Priced:
    if article.currency != branch.currency:
        raise CurrencyMismatch(
            f"{article.sku} is priced in {article.currency}; {branch.code} trades in {branch.currency}.",
            field=kind,
        )
    name = f"{article.name}, {eye}" if eye else article.name
    return Priced(kind, article.sku, name[:200], article.price, article.tax_category, eye)


def _adjusted(lines: list[Priced], adjustment: PriceAdjustment, currency: str) -> list[Priced]:
    """Apply one adjustment; the plugin host has seen to it that it names a line and leaves nothing below zero.

    A surcharge becomes a line of its own. A discount goes to its line or, for the whole order, is spread over the
    lines in proportion to their gross amounts, so that every rate of tax bears its share.
    """
    index = adjustment.line_index
    if adjustment.amount > 0:
        category = lines[index or 0].tax_category
        extra = Priced("adjustment", adjustment.rule[:40], adjustment.reason[:200], adjustment.amount, category)
        return [*lines, extra]
    amount = rounded(-adjustment.amount, currency)
    shares = {index: amount} if index is not None else _spread(amount, lines, currency)
    result = list(lines)
    for at, share in shares.items():
        line = lines[at]
        result[at] = replace(line, discount=line.discount + share, reasons=(*line.reasons, adjustment.reason))
    return result


def _spread(amount: Decimal, lines: list[Priced], currency: str) -> dict[int, Decimal]:
    """Shares in proportion to gross that add up exactly (largest remainders): none is more than its line."""
    total = sum((line.gross for line in lines), ZERO)
    unit = minor_unit(currency)
    exact = {index: amount * line.gross / total for index, line in enumerate(lines) if line.gross > 0}
    shares = {index: share.quantize(unit, rounding=ROUND_DOWN) for index, share in exact.items()}
    missing = int((amount - sum(shares.values(), ZERO)) / unit)
    for index in sorted(exact, key=lambda at: shares[at] - exact[at])[:missing]:
        shares[index] += unit
    return shares


def _taxed(line: Priced, branch: Branch, day: dt.date) -> Priced:
    rate = tax_rate_on(branch.jurisdiction, line.tax_category, day).percent
    return replace(line, tax_rate_percent=rate, tax=tax_within(line.gross, rate, branch.currency))
