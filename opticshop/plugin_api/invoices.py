"""Handing one invoice or credit note to somebody else's program.

The terms are those of EN 16931 (its BT numbers stand beside the fields, from memory). What the standard's own rules let
pass is checked here: every tax to the cent, price times quantity, and that all sums are sums.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import ClassVar, Literal

from .errors import InvalidFacts
from .taxes import TaxCategoryCode
from .types import NO_SETTINGS, JsonReady, Settings

_ZERO = Decimal(0)

InvoiceKind = Literal["invoice", "credit_note"]
"""All amounts of a credit note are positive too: the kind says which way they go."""

InvoiceMeans = Literal["cash", "card", "transfer", "other"]

InvoiceRounding = Literal["per_rate", "per_line", "shared"]
"""Whether tax was rounded once for each category and rate, or line by line, or is a share of another document's tax, so
that all shares add up to it: that may differ from what the rate gives by a few of the smallest units."""

_SHARED_WITHIN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceParty(JsonReady):
    """Seller or buyer. `country` is ISO 3166-1 alpha-2; `tax_number` has its country prefix ("GB123456789")."""

    name: str
    country: str
    street: str = ""
    more_street: str = ""
    city: str = ""
    postcode: str = ""
    tax_number: str = ""
    company_number: str = ""
    phone: str = ""
    email: str = ""

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InvalidFacts("a party has a name", field="name")
        if len(self.country) != 2 or not self.country.isalpha() or not self.country.isupper():
            raise InvalidFacts(f"{self.country!r} is no country of ISO 3166-1", field="country")


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceLine(JsonReady):
    """One line under one tax category. `net` (BT-131) is quantity x price / base quantity, rounded, less the allowance;
    `price` (BT-146) is without tax, for `base_quantity` (BT-149) pieces."""

    number: int
    name: str
    quantity: Decimal
    price: Decimal
    net: Decimal
    tax: Decimal
    category: TaxCategoryCode
    rate_percent: Decimal
    base_quantity: Decimal = Decimal(1)
    allowance: Decimal = _ZERO
    allowance_reason: str = ""
    code: str = ""
    unit: str = "C62"

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InvalidFacts(f"line {self.number} has no name", field="name")
        if self.quantity <= 0 or self.base_quantity <= 0 or self.price < 0 or self.allowance < 0:
            raise InvalidFacts(f"line {self.number} has an amount below zero", field="quantity")
        if self.allowance and not self.allowance_reason.strip():
            raise InvalidFacts(f"line {self.number} does not say why less is asked", field="allowance_reason")
        if (self.rate_percent > 0) != (self.category == "S"):
            raise InvalidFacts(
                f"line {self.number}: {self.rate_percent}% in category {self.category}", field="category"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceTaxSubtotal(JsonReady):
    """Everything under one category and rate (BG-23); `reason` (BT-120) where it is exempt or outside the scope."""

    category: TaxCategoryCode
    rate_percent: Decimal
    taxable: Decimal
    tax: Decimal
    reason: str = ""

    def __post_init__(self) -> None:
        if (self.category in ("E", "O")) != bool(self.reason.strip()):
            raise InvalidFacts(f"category {self.category}: a reason goes with exempt and outside only", field="reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceReference(JsonReady):
    """The invoice that a credit note corrects (BG-3)."""

    number: str
    issued_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class InvoiceFacts(JsonReady):
    """One document as it was issued. Raises `InvalidFacts` unless all of it agrees to the smallest unit.

    `prices_include_tax` says which way tax was computed: out of gross amounts (gross x rate / (100 + rate)) or on net
    ones (net x rate / 100); the two differ by a cent now and then, and either is exact under its own rule.
    """

    kind: InvoiceKind
    number: str
    issued_on: date
    currency: str
    seller: InvoiceParty
    buyer: InvoiceParty
    lines: tuple[InvoiceLine, ...]
    subtotals: tuple[InvoiceTaxSubtotal, ...]
    net_total: Decimal
    tax_total: Decimal
    total: Decimal
    prepaid: Decimal
    payable: Decimal
    means: tuple[InvoiceMeans, ...] = ()
    due_on: date | None = None
    supplied_on: date | None = None
    tax_point_on: date | None = None
    original: InvoiceReference | None = None
    order_number: str = ""
    buyer_reference: str = ""
    note: str = ""
    prices_include_tax: bool = True
    tax_rounding: InvoiceRounding = "per_rate"
    minor_unit: Decimal = Decimal("0.01")

    def __post_init__(self) -> None:
        if not self.lines:
            raise InvalidFacts(f"{self.number} has no line", field="lines")
        if (self.kind == "credit_note") != (self.original is not None):
            raise InvalidFacts("a credit note, and nothing else, names its original", field="original")
        self._check_units()
        self._check_lines()
        self._check_tax()
        self._check_totals()

    def _check_units(self) -> None:
        amounts = [self.net_total, self.tax_total, self.total, self.prepaid, self.payable]
        amounts += [amount for line in self.lines for amount in (line.net, line.tax, line.allowance)]
        amounts += [amount for one in self.subtotals for amount in (one.taxable, one.tax)]
        for amount in amounts:
            if amount % self.minor_unit:
                raise InvalidFacts(f"{amount} is not in whole multiples of {self.minor_unit}", field="lines")

    def _check_lines(self) -> None:
        if len({line.number for line in self.lines}) != len(self.lines):
            raise InvalidFacts("two lines have one number", field="lines")
        for line in self.lines:
            net = self._rounded(line.quantity * line.price / line.base_quantity) - line.allowance
            if net != line.net:
                raise InvalidFacts(f"line {line.number} comes to {net}, not {line.net}", field="lines")
            if self.tax_rounding == "per_line" and not self._is_due(line.net, line.tax, line.rate_percent):
                raise InvalidFacts(f"line {line.number}: {line.tax} is not {line.rate_percent}% tax", field="lines")

    def _check_tax(self) -> None:
        groups: dict[tuple[str, Decimal], list[InvoiceLine]] = {}
        for line in self.lines:
            groups.setdefault((line.category, line.rate_percent), []).append(line)
        subtotals = {(one.category, one.rate_percent): one for one in self.subtotals}
        if len(subtotals) != len(self.subtotals) or subtotals.keys() != groups.keys():
            raise InvalidFacts("there is one subtotal for each category and rate of the lines", field="subtotals")
        if "O" in {category for category, _ in groups} and len(groups) > 1:
            raise InvalidFacts("what is outside the scope of tax has a document of its own", field="subtotals")
        for key, one in subtotals.items():
            words = f"{one.category} {one.rate_percent}%"
            if _sum(line.net for line in groups[key]) != one.taxable:
                raise InvalidFacts(f"{words}: the lines do not make {one.taxable}", field="subtotals")
            if _sum(line.tax for line in groups[key]) != one.tax:
                raise InvalidFacts(f"{words}: the tax of the lines does not make {one.tax}", field="subtotals")
            if self.tax_rounding != "per_line" and not self._is_due(one.taxable, one.tax, one.rate_percent):
                raise InvalidFacts(f"{words}: {one.tax} is not the tax on {one.taxable}", field="subtotals")

    def _is_due(self, net: Decimal, tax: Decimal, rate: Decimal) -> bool:
        due = self._rounded((net + tax) * rate / (100 + rate) if self.prices_include_tax else net * rate / 100)
        return abs(tax - due) <= (_SHARED_WITHIN * self.minor_unit if self.tax_rounding == "shared" else 0)

    def _check_totals(self) -> None:
        for said, is_so, field in (
            ("the lines", _sum(line.net for line in self.lines) == self.net_total, "net_total"),
            ("the taxes", _sum(one.tax for one in self.subtotals) == self.tax_total, "tax_total"),
            ("net and tax", self.net_total + self.tax_total == self.total, "total"),
            ("total less prepaid", self.total - self.prepaid == self.payable, "payable"),
        ):
            if not is_so:
                raise InvalidFacts(f"{said} do not make {getattr(self, field)}", field=field)

    def _rounded(self, amount: Decimal) -> Decimal:
        return amount.quantize(self.minor_unit, rounding=ROUND_HALF_UP)


def _sum(amounts: Iterable[Decimal]) -> Decimal:
    return sum(amounts, _ZERO)


class InvoiceExporter(ABC):
    """A document format for invoices and credit notes. `name` is kebab-case and unique."""

    name: ClassVar[str]
    title: ClassVar[str]
    media_type: ClassVar[str]
    file_extension: ClassVar[str]

    @abstractmethod
    def export(self, invoice: InvoiceFacts, settings: Settings = NO_SETTINGS) -> bytes:
        """The whole document. The same facts give the same bytes, on any day. Raises `Refusal` for facts that the
        format has no place for."""
