"""How the price of a sale divides into parts by tax category and rate.

A rule sees the basket as it will be sold, after discounts, and answers with parts that add up to each line's price
exactly: to the price as it stands, where it includes tax; to the net of the parts, where tax is added.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from math import floor
from typing import Any, ClassVar, Literal, get_args

from opticshop.optics.conformity import Confidence

from .errors import InvalidFacts
from .types import NO_SETTINGS, JsonReady, Settings

TaxedKind = Literal["frame", "lens", "treatment", "service", "dispensing", "accessory"]
"""What is sold. `dispensing` is measuring and fitting, `service` any other work."""

CatalogueCategory = Literal["standard", "reduced", "zero", "exempt"]
"""How the catalogue marks an article; a rule may follow it or know better."""

TaxCategoryCode = Literal["S", "Z", "E", "O"]
"""Codes of EN 16931 (a part of UNCL 5305): S standard or reduced rate, Z zero-rated, E exempt, O outside the scope."""

_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TaxLine(JsonReady):
    """One line as it is sold. `price` is for the whole quantity, after its share of every discount; `inclusive` says
    whether tax is in it."""

    code: str
    kind: TaxedKind
    price: Decimal
    category: CatalogueCategory
    inclusive: bool = True
    quantity: Decimal = Decimal(1)

    def __post_init__(self) -> None:
        if not isinstance(self.price, Decimal) or not self.price.is_finite() or self.price < 0:
            raise InvalidFacts("a price is a Decimal, zero or more", field="price")


@dataclass(frozen=True, slots=True, kw_only=True)
class TaxBasket(JsonReady):
    """A sale on one day at one place.

    `place` is the code of the place of supply, from the country down: "GB", or "US-XA-001-02" for a state, county and
    city. `minor_unit` is the currency's smallest amount. `supervised` says whether dispensing is done by or directly
    supervised by a registered person; None when that is not known yet, as for a quotation.
    """

    country: str
    place: str
    day: date
    currency: str
    lines: tuple[TaxLine, ...]
    minor_unit: Decimal = Decimal("0.01")
    supervised: bool | None = None

    def __post_init__(self) -> None:
        if any(line.price % self.minor_unit for line in self.lines):
            raise InvalidFacts(f"prices are whole multiples of {self.minor_unit}", field="lines")


@dataclass(frozen=True, slots=True, kw_only=True)
class TaxPart(JsonReady):
    """A part of a line under one category and rate. `reason` says why no tax is due; exempt and outside need it.

    `kind` is given where the part is another supply than its line (the dispensing in the price of a lens), and
    `reduced` where the rate is lower than the ordinary one.
    """

    category: TaxCategoryCode
    rate_percent: Decimal
    net: Decimal
    tax: Decimal
    gross: Decimal
    reason: str = ""
    kind: TaxedKind | None = None
    reduced: bool = False

    def __post_init__(self) -> None:
        if self.category not in get_args(TaxCategoryCode):
            raise InvalidFacts(f"{self.category!r} is no tax category", field="category")
        if self.net + self.tax != self.gross:
            raise InvalidFacts(f"{self.net} and {self.tax} of tax are not {self.gross}", field="gross")
        if self.net < 0 or self.tax < 0 or self.rate_percent < 0:
            raise InvalidFacts("amounts and rates are zero or more", field="net")
        if self.category != "S" and (self.rate_percent or self.tax):
            raise InvalidFacts(f"no tax is due in category {self.category}", field="rate_percent")
        if self.category in ("E", "O") and not self.reason.strip():
            raise InvalidFacts(f"category {self.category} needs a reason", field="reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessedLine(JsonReady):
    """A line and its parts, in the order in which they are printed. Raises `InvalidFacts` unless they add up to its
    price."""

    line: TaxLine
    parts: tuple[TaxPart, ...]

    def __post_init__(self) -> None:
        if not self.parts:
            raise InvalidFacts(f"{self.line.code} has no part", field="parts")
        together = sum(((part.gross if self.line.inclusive else part.net) for part in self.parts), _ZERO)
        if together != self.line.price:
            raise InvalidFacts(f"the parts of {self.line.code} make {together}, not {self.line.price}", field="parts")


@dataclass(frozen=True, slots=True, kw_only=True)
class TaxRounding(JsonReady):
    """How tax was rounded: a stable name and the words for it."""

    name: str
    words: str


ONCE_PER_RATE = TaxRounding(
    name="once-per-rate",
    words="Tax is computed on the sum of each category and rate, rounded once, half up, to the smallest unit of the "
    "currency, and shared among the lines by largest remainder, so that they add up to it.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TaxAssessment(JsonReady):
    """The basket's lines in its order, each with its parts.

    `note` is what the law wants printed, or what the reader of the document has to know; empty for nothing. `source`
    and `confidence` are those of the rule's facts.
    """

    lines: tuple[AssessedLine, ...]
    rounding: TaxRounding
    source: str
    confidence: Confidence
    note: str = ""

    @property
    def parts(self) -> tuple[TaxPart, ...]:
        return tuple(part for line in self.lines for part in line.parts)


class TaxRule(ABC):
    """A named way to tax a sale. `name` is kebab-case and unique; a branch picks one, or none for what the catalogue
    says."""

    name: ClassVar[str]
    title: ClassVar[str]

    @abstractmethod
    def assess(self, basket: TaxBasket, settings: Settings = NO_SETTINGS) -> TaxAssessment:
        """Divide every line. Pure: it reads no clock and the same basket has the same answer. Raises `Refusal` when
        the settings hold no fact for the day or place: it never guesses a rate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TaxCut:
    """What a rule decides about a piece of a line's price, before any rounding; `price` includes tax or not, as its
    line does."""

    price: Decimal
    category: TaxCategoryCode
    rate_percent: Decimal = _ZERO
    reason: str = ""
    kind: TaxedKind | None = None
    reduced: bool = False


def taxed_once_per_rate(basket: TaxBasket, cuts: Sequence[Sequence[TaxCut]]) -> tuple[AssessedLine, ...]:
    """The lines with their tax under `ONCE_PER_RATE`. `cuts` has the pieces of each line, in whole minor units."""
    groups: dict[tuple[str, Decimal, bool], list[tuple[int, int]]] = {}
    for at, (line, pieces) in enumerate(zip(basket.lines, cuts, strict=True)):
        for place, cut in enumerate(pieces):
            groups.setdefault((cut.category, cut.rate_percent, line.inclusive), []).append((at, place))
    taxes: dict[tuple[int, int], Decimal] = {}
    for (_, rate, inclusive), members in groups.items():
        prices = [cuts[at][place].price for at, place in members]
        exact = sum(prices, _ZERO) * rate / (100 + rate if inclusive else 100)
        tax = exact.quantize(basket.minor_unit, rounding=ROUND_HALF_UP)
        taxes |= dict(zip(members, shared_out(tax, prices, basket.minor_unit), strict=True))
    return tuple(
        AssessedLine(
            line=line,
            parts=tuple(_part(cut, taxes[at, place], line.inclusive) for place, cut in enumerate(cuts[at])),
        )
        for at, line in enumerate(basket.lines)
    )


def _part(cut: TaxCut, tax: Decimal, inclusive: bool) -> TaxPart:
    gross = cut.price if inclusive else cut.price + tax
    return TaxPart(
        category=cut.category,
        rate_percent=cut.rate_percent,
        net=gross - tax,
        tax=tax,
        gross=gross,
        reason=cut.reason,
        kind=cut.kind,
        reduced=cut.reduced,
    )


def shared_out(amount: Decimal, weights: Sequence[Decimal], unit: Decimal) -> list[Decimal]:
    """Shares of `amount` in proportion to the weights, in whole units, that add up to it exactly.

    Each share is rounded down; the units that are left go to the largest remainders, the earlier first (the method of
    largest remainders, from memory). Weights are zero or more; when all are zero, so must the amount be.
    """
    total = sum(weights, _ZERO)
    if not total:
        if amount:
            raise InvalidFacts("there is nothing to share the amount among", field="weights")
        return [amount for _ in weights]
    exact = [Fraction(amount) / Fraction(unit) * Fraction(weight) / Fraction(total) for weight in weights]
    units = [floor(share) for share in exact]
    left = floor(sum(exact)) - sum(units)
    for at in sorted(range(len(units)), key=lambda at: units[at] - exact[at])[:left]:
        units[at] += 1
    return [count * unit for count in units]


_DAY = {"type": "string", "pattern": "^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$"}


def dated_rows(title: str, required: Sequence[str], /, **fields: Any) -> dict[str, Any]:
    """JSON Schema of a setting that holds dated facts: rows with a first day, perhaps a last one, with the source and
    the confidence that any legal fact has, and with these fields."""
    common = {
        "valid_from": {**_DAY, "title": "First day"},
        "valid_until": {**_DAY, "title": "Last day"},
        "source": {"type": "string", "minLength": 1, "title": "Where it was read"},
        "confidence": {"enum": [one.value for one in Confidence], "title": "How well it is known"},
    }
    return {
        "type": "array",
        "title": title,
        "items": {
            "type": "object",
            "additionalProperties": False,
            "properties": {**fields, **common},
            "required": ["valid_from", "source", "confidence", *required],
        },
    }


def in_force(rows: Iterable[Mapping[str, Any]], day: date) -> Mapping[str, Any] | None:
    """Of rows as `dated_rows` has them, the one in force on the day: the latest that has begun, unless it has ended."""
    today = day.isoformat()  # days in this form are in the order of the calendar
    begun = [row for row in rows if row["valid_from"] <= today]
    if not begun:
        return None
    latest = max(begun, key=lambda row: str(row["valid_from"]))
    return latest if today <= latest.get("valid_until", today) else None


_SUREST_FIRST = (
    Confidence.CONFIRMED,
    Confidence.PARTLY_CONFIRMED,
    Confidence.CONVENTION,
    Confidence.FROM_MEMORY,
    Confidence.DOUBTFUL,
)


def least_sure(rows: Iterable[Mapping[str, Any]]) -> Confidence:
    """The confidence of an answer that rests on all these rows: that of the least sure."""
    return max((Confidence(row["confidence"]) for row in rows), key=_SUREST_FIRST.index)
