"""Bounds of plausibility as rows of a table: what is usual, what is asked about, what is refused, and who says so."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from decimal import Decimal
from enum import StrEnum

NO_SOURCE = "common practice, no source"


class Confidence(StrEnum):
    """How well a fact is known."""

    HIGH = "high"  # read in a regulator's, a professional body's or a statute's text, or quoted by one
    MEDIUM = "medium"  # second-hand, or well corroborated memory
    LOW = "low"  # rule of thumb or unverified memory


@dataclass(frozen=True, slots=True)
class Doubt:
    """A value that was accepted but should be looked at again ("are you sure?")."""

    code: str
    field: str
    detail: str

    def as_dict(self) -> dict[str, str]:
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """One row: values outside the question limits are asked about, values outside the reject limits are refused.

    The limits themselves are accepted without a question or a refusal. ``confidence`` is that of what is usual,
    ``limits_confidence`` that of the limits.
    """

    quantity: str
    unit: str
    usual: str
    question_below: Decimal | None = None
    question_above: Decimal | None = None
    reject_below: Decimal | None = None
    reject_above: Decimal | None = None
    source: str = NO_SOURCE
    confidence: Confidence = Confidence.LOW
    limits_confidence: Confidence = Confidence.LOW

    def refuses(self, value: Decimal) -> bool:
        return _outside(value, self.reject_below, self.reject_above)

    def questions(self, value: Decimal) -> bool:
        return _outside(value, self.question_below, self.question_above)

    @property
    def accepted(self) -> str:
        """The range that is not refused, in words: "40 to 85 mm"."""
        return _words(self.reject_below, self.reject_above, self.unit)

    @property
    def unquestioned(self) -> str:
        """The range that is not asked about, in words."""
        return _words(self.question_below, self.question_above, self.unit)


def _outside(value: Decimal, low: Decimal | None, high: Decimal | None) -> bool:
    return (low is not None and value < low) or (high is not None and value > high)


def _words(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"{low} to {high} {unit}"
    if low is not None:
        return f"at least {low} {unit}"
    return f"at most {high} {unit}" if high is not None else f"any number of {unit}"
