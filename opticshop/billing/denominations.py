"""The notes and coins of a currency: data with its source. A currency without a row is counted as one amount."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from opticshop.core.errors import Invalid
from opticshop.core.money import minor_unit


class NoSuchDenomination(Invalid):
    """A count names a face value that the currency does not have; says those it has."""

    code = "billing.no_such_denomination"
    title = "The currency has no such note or coin"


@dataclass(frozen=True, slots=True)
class Cash:
    """Face values in use in a currency. Notes that are no longer issued stay: they still turn up in tills."""

    currency: str
    notes: tuple[str, ...]
    coins: tuple[str, ...]
    source: str
    confidence: str

    @property
    def face_values(self) -> list[Decimal]:
        return [Decimal(value) for value in (*self.notes, *self.coins)]


_COMMON = "common knowledge, from memory; as of 2026"
CASH: dict[str, Cash] = {
    cash.currency: cash
    for cash in (
        Cash(
            "GBP", ("50", "20", "10", "5"), ("2", "1", "0.50", "0.20", "0.10", "0.05", "0.02", "0.01"), _COMMON, "high"
        ),
        Cash(
            "EUR",
            ("500", "200", "100", "50", "20", "10", "5"),
            ("2", "1", "0.50", "0.20", "0.10", "0.05", "0.02", "0.01"),
            _COMMON,
            "high; some countries round at the till to 0.05",
        ),
        Cash(
            "USD",
            ("100", "50", "20", "10", "5", "2", "1"),
            ("1", "0.50", "0.25", "0.10", "0.05", "0.01"),
            _COMMON,
            "high",
        ),
        Cash("JPY", ("10000", "5000", "2000", "1000"), ("500", "100", "50", "10", "5", "1"), _COMMON, "high"),
        Cash(
            "CHF",
            ("1000", "200", "100", "50", "20", "10"),
            ("5", "2", "1", "0.50", "0.20", "0.10", "0.05"),
            _COMMON,
            "high",
        ),
    )
}


def counted(pieces: Mapping[str, int], currency: str) -> tuple[Decimal, dict[str, int]]:
    """What the pieces come to, and the pieces by face value as the currency writes it. Raises NoSuchDenomination."""
    cash = CASH.get(currency)
    known = set(cash.face_values) if cash else set()
    total, clean, unit = Decimal(0), dict[str, int](), minor_unit(currency)
    for name, number in pieces.items():
        value = Decimal(name)
        if value not in known:
            raise NoSuchDenomination(
                f"{currency} has no note or coin of {name}.",
                field="pieces",
                allowed=sorted({str(face.quantize(unit)) for face in known}, key=Decimal, reverse=True)
                or "an amount: the notes and coins of this currency are not known",
            )
        key = str(value.quantize(unit))
        clean[key] = clean.get(key, 0) + number
        total += value * number
    return total.quantize(unit), clean
