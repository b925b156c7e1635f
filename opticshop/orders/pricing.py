"""From articles to price lines: list prices and adjustments decided by plugins; ``taxing`` then says what tax is due.

An article costs what the branch's price list of the day says, else the group's, else the catalogue. Prices are gross
unless the branch says otherwise. Each amount is rounded half up, once, where it is fixed; the tax of the order is the
sum of its lines, so lines and totals always agree to the penny. A discount on the whole order is spread over its lines
in whole units of the currency, so that the shares add up to it exactly.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct, ServiceItem, TaxCategory
from opticshop.core.errors import Conflict
from opticshop.core.money import minor_unit, rounded
from opticshop.plugin_api import PriceAdjustment, PriceLine, PricingContext, shared_out
from opticshop.plugin_api.pricing import EarlierOrder, PriceLineKind
from opticshop.pluginhost import services as plugins
from opticshop.prices.lists_models import PriceList
from opticshop.prices.lists_selectors import Article, SalePrice, sale_prices

from .computing import strictest_kind
from .lines_models import FrozenLine
from .models import Order

ZERO = Decimal("0.00")
#: The kind of a line that states a part of the price of the line before it, under another tax category.
SHARE = "share"
PLUGIN_KINDS: dict[str, PriceLineKind] = {"frame": "frame", "lens": "lens", "treatment": "treatment", "service": "fee"}


class CurrencyMismatch(Conflict):
    """An article is priced in another currency than the branch trades in, and no list has a price for it."""

    code = "orders.currency_mismatch"
    title = "The article has no price in this branch's currency"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a line costs what it costs: where its unit price comes from, or what was taken off it and by whom.

    ``kind`` is catalogue, price_list, plugin, promotion or tax (a part that has a line of its own); ``source`` names
    the list, the plugin, the code or the tax rule.
    """

    kind: str
    source: str
    words: str
    amount: Decimal
    rule: str = ""
    price_list: str | None = None
    valid_from: str | None = None

    def record(self) -> dict[str, Any]:
        """As it is kept with the line and shown."""
        return {
            "kind": self.kind,
            "source": self.source,
            "words": self.words,
            "amount": str(self.amount),
            "rule": self.rule,
            "price_list": self.price_list,
            "valid_from": self.valid_from,
        }


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
    reasons: tuple[Reason, ...] = ()
    article: Article | None = None
    price_list: PriceList | None = None
    tax_rate_percent: Decimal = ZERO
    tax: Decimal = ZERO
    tax_added: Decimal = ZERO

    @property
    def gross(self) -> Decimal:
        return self.quantity * self.unit_price - self.discount + self.tax_added

    @property
    def discount_reason(self) -> str:
        """Words for everything that was taken off, also for what another line states."""
        return "; ".join(reason.words for reason in self.reasons if reason.amount < 0)[:200]


def price(
    *,
    branch: Branch,
    frame: Frame | None,
    lenses: Mapping[str, LensProduct],
    treatments: Sequence[ServiceItem] = (),
    services: Sequence[ServiceItem],
    customer_age: int | None,
    prescription_issued_on: dt.date,
    day: dt.date,
    earlier: Iterable[Order] = (),
) -> list[Priced]:
    """The lines of one pair at list prices, with what price rules of active plugins decided; tax is not yet in them.

    A treatment is charged for each lens. Raises CurrencyMismatch and what the plugins refuse.
    """
    articles: list[Article] = [*([frame] if frame else []), *lenses.values(), *treatments, *services]
    prices = sale_prices(branch=branch, articles=articles, day=day)
    lines = [_line("frame", prices[frame.id], branch)] if frame is not None else []
    lines += [_line("lens", prices[product.id], branch, eye=eye) for eye, product in lenses.items()]
    lines += [_line("treatment", prices[item.id], branch, quantity=len(lenses)) for item in treatments]
    lines += [_line("service", prices[item.id], branch) for item in services]
    context = PricingContext(
        branch_code=branch.code,
        currency=branch.currency,
        priced_on=day,
        customer_age=customer_age,
        prescription_issued_on=prescription_issued_on,
        lines=tuple(_plugin_line(line) for line in lines),
        smallest_unit=minor_unit(branch.currency),
        lens_kind=strictest_kind(product.kind for product in lenses.values()),
        is_complete_pair=is_complete_pair(lenses, with_frame=frame is not None),
        earlier_orders=tuple(_earlier(order) for order in earlier),
    )
    return _adjusted(lines, plugins.order_price_decisions(branch=branch, context=context), branch.currency)


def is_complete_pair(lenses: Mapping[str, LensProduct], *, with_frame: bool) -> bool:
    """A frame that is sold with a lens for each eye."""
    return with_frame and set(lenses) == {"right", "left"}


def discounted(
    lines: list[Priced], amount: Decimal, reason: Reason, currency: str, *, at: int | None = None
) -> list[Priced]:
    """The lines with an amount taken off one of them or, without ``at``, off all in proportion to their gross amounts,
    so that every rate of tax bears its share. What one line cannot bear the others do. ``reason`` says why."""
    shares = spread(amount, [line.gross for line in lines], currency)
    rest = ZERO
    if at is not None:
        shares = {at: min(amount, lines[at].gross)}
        rest = amount - shares[at]
    result = list(lines)
    for place, share in shares.items():
        line = lines[place]
        why = replace(reason, amount=-share)
        result[place] = replace(line, discount=line.discount + share, reasons=(*line.reasons, why))
    return discounted(result, rest, reason, currency) if rest else result


def spread(amount: Decimal, over: Sequence[Decimal], currency: str) -> dict[int, Decimal]:
    """Shares of an amount in proportion to others, in whole units of the currency, that add up to it exactly.

    Largest remainders, the earlier place first: no share is more than what it is a share of. Shares of nothing are
    left out.
    """
    shares = shared_out(amount, over, minor_unit(currency))
    return {place: share for place, share in enumerate(shares) if share}


def kept(lines: Iterable[FrozenLine], frame: Frame) -> list[Priced]:
    """Lines that were frozen before, to be used again at the same price and taxed anew: without the shares that were
    stated apart, and marked as the catalogue marks their articles today."""
    return [
        Priced(
            kind=line.kind,
            sku=line.sku,
            description=line.description,
            unit_price=line.unit_price,
            tax_category=_marked(line, frame),
            eye=line.eye,
            quantity=line.quantity,
            discount=line.discount - _stated_apart(line),
            reasons=tuple(
                Reason(**{**record, "amount": Decimal(record["amount"])})
                for record in line.reasons
                if record["kind"] != "tax"
            ),
            article=_article(line, frame),
            price_list=line.price_list,
        )
        for line in lines
        if line.kind != SHARE
    ]


def _article(line: FrozenLine, frame: Frame) -> Article | None:
    return frame if line.kind == "frame" else line.lens or line.service


def _marked(line: FrozenLine, frame: Frame) -> str:
    article = _article(line, frame)
    category = article.tax_category if article is not None else line.tax_category
    return category if category in TaxCategory.values else TaxCategory.STANDARD


def _stated_apart(line: FrozenLine) -> Decimal:
    """What was taken off the line because another one states it."""
    return -sum((Decimal(record["amount"]) for record in line.reasons if record["kind"] == "tax"), ZERO)


def columns(line: Priced) -> dict[str, Any]:
    """The columns of a frozen line."""
    return {
        "kind": line.kind,
        "eye": line.eye,
        "sku": line.sku,
        "description": line.description,
        "quantity": line.quantity,
        "unit_price": line.unit_price,
        "discount": line.discount,
        "discount_reason": line.discount_reason,
        "gross": line.gross,
        "tax_category": line.tax_category,
        "tax_rate_percent": line.tax_rate_percent,
        "tax": line.tax,
        "lens": line.article if isinstance(line.article, LensProduct) else None,
        "service": line.article if isinstance(line.article, ServiceItem) else None,
        "price_list": line.price_list,
        "reasons": [reason.record() for reason in line.reasons],
    }


def _line(kind: str, found: SalePrice, branch: Branch, *, eye: str = "", quantity: int = 1) -> Priced:
    article, decided = found.article, found.price_list
    if found.currency != branch.currency:
        raise CurrencyMismatch(
            f"{article.sku} is priced in {found.currency}; {branch.code} trades in {branch.currency}.",
            field=kind,
        )
    name = f"{article.name}, {eye}" if eye else article.name
    why = Reason("catalogue", "catalogue", "Price of the catalogue", found.price)
    if decided is not None:
        scope = "group" if decided.branch_id is None else branch.code
        words = f"{decided.name}: price list of {scope} from {decided.valid_from}"
        since = decided.valid_from.isoformat()
        why = Reason("price_list", decided.name, words, found.price, price_list=str(decided.id), valid_from=since)
    return Priced(
        kind,
        article.sku,
        name[:200],
        found.price,
        article.tax_category,
        eye,
        quantity,
        reasons=(why,),
        article=article,
        price_list=decided,
    )


def _plugin_line(line: Priced | FrozenLine) -> PriceLine:
    return PriceLine(
        kind=PLUGIN_KINDS[line.kind],
        sku=line.sku,
        description=line.description,
        quantity=Decimal(line.quantity),
        unit_price=line.unit_price,
        eye=line.eye or None,  # type: ignore[arg-type]
    )


def _earlier(order: Order) -> EarlierOrder:
    lines, lenses = list(order.lines.all()), {lens.eye: lens.product for lens in order.lenses.all()}
    return EarlierOrder(
        order_id=str(order.id),
        placed_on=order.placed_at.astimezone(ZoneInfo(order.branch.time_zone)).date(),
        currency=order.currency,
        lines=tuple(_plugin_line(line) for line in lines if line.kind in PLUGIN_KINDS),
        total=order.total,
        lens_kind=strictest_kind(product.kind for product in lenses.values()),
        is_complete_pair=is_complete_pair(lenses, with_frame=not order.frame_is_customers),
        rules=frozenset(why["rule"] for line in lines for why in line.reasons if why["rule"]),
    )


def _adjusted(lines: list[Priced], decisions: list[tuple[str, PriceAdjustment]], currency: str) -> list[Priced]:
    """Apply what the plugins decided; the host has seen to it that every adjustment names a line and that together
    they leave no line and no order below zero. Surcharges become lines of their own, then discounts on single lines
    are taken off, then those on the whole order."""
    result = list(lines)
    for plugin, one in decisions:
        if one.amount > 0:
            category = lines[one.line_index or 0].tax_category
            why = Reason("plugin", plugin, one.reason, one.amount, one.rule)
            extra = Priced("adjustment", one.rule[:40], one.reason[:200], one.amount, category, reasons=(why,))
            result.append(extra)
    discounts = [(plugin, one) for plugin, one in decisions if one.amount < 0]
    for plugin, one in sorted(discounts, key=lambda decision: decision[1].line_index is None):
        amount = rounded(-one.amount, currency)
        why = Reason("plugin", plugin, one.reason, -amount, one.rule)
        result = discounted(result, amount, why, currency, at=one.line_index)
    return result
