"""Facts of an order that is being priced, and what a plugin may add or take off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from .errors import InvalidFacts
from .types import Eye, JsonReady

if TYPE_CHECKING:
    from .tolerances import LensKind

PriceLineKind = Literal["frame", "lens", "treatment", "fee"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceLine(JsonReady):
    """One line at its list price, in the currency of the context. `eye` is None for what belongs to no
    eye."""

    kind: PriceLineKind
    sku: str
    description: str
    quantity: Decimal
    unit_price: Decimal
    eye: Eye | None = None

    @property
    def amount(self) -> Decimal:
        """quantity x unit price, not rounded."""
        return self.quantity * self.unit_price


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierOrder(JsonReady):
    """An order that the same customer placed before and that stands: neither called off nor replaced.

    `lines` are as priced then, at list prices, `total` is what was charged, `rules` are the rules whose
    adjustments it carries. A complete pair has a lens for each eye and a frame that was sold with them.
    """

    order_id: str
    placed_on: date
    currency: str
    lines: tuple[PriceLine, ...]
    total: Decimal
    lens_kind: LensKind | None = None
    is_complete_pair: bool = False
    rules: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class PricingContext(JsonReady):
    """The order as it stands before adjustments. Every plugin gets the same context, not another's
    adjustments.

    `customer_age` is in whole years on `priced_on`, None when not known. `facts` holds further facts by name,
    such as a voucher band; which ones exist is documented by the host. `smallest_unit` is that of the
    currency. `earlier_orders` are the newest twenty of the last 366 days in any
    branch, oldest first.
    """

    branch_code: str
    currency: str
    priced_on: date
    customer_age: int | None
    lines: tuple[PriceLine, ...]
    prescription_issued_on: date | None = None
    facts: Mapping[str, str] = field(default_factory=dict, hash=False)
    smallest_unit: Decimal = Decimal("0.01")
    lens_kind: LensKind | None = None
    is_complete_pair: bool = False
    earlier_orders: tuple[EarlierOrder, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceAdjustment(JsonReady):
    """An amount added to one line (`line_index`) or to the whole order (None); negative is a discount.

    `amount` is already rounded to the currency's smallest unit. `reason` is printed on the receipt, `rule` is
    the plugin's own stable name for why. The host refuses adjustments that bring a line or the order below
    zero.
    """

    line_index: int | None
    amount: Decimal
    reason: str
    rule: str

    def __post_init__(self) -> None:
        if not isinstance(self.amount, Decimal) or not self.amount.is_finite():
            raise InvalidFacts("an adjustment is a finite Decimal", field="amount")
        if self.line_index is not None and self.line_index < 0:
            raise InvalidFacts("line_index counts from 0", field="line_index")
