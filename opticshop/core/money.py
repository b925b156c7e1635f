"""Money is Decimal in a currency's minor unit. One rounding rule: half up, once, where an amount is fixed."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

#: Minor-unit digits that differ from two (ISO 4217, from memory).
_DIGITS = {"JPY": 0, "KRW": 0, "ISK": 0, "HUF": 2, "BHD": 3, "KWD": 3, "TND": 3}


def minor_unit(currency: str) -> Decimal:
    return Decimal(1).scaleb(-_DIGITS.get(currency, 2))


def rounded(amount: Decimal, currency: str) -> Decimal:
    """The amount in whole minor units of the currency, halves away from zero."""
    return amount.quantize(minor_unit(currency), rounding=ROUND_HALF_UP)


def tax_within(gross: Decimal, rate_percent: Decimal, currency: str) -> Decimal:
    """The tax contained in a gross amount: gross x rate / (100 + rate), rounded once."""
    return rounded(gross * rate_percent / (100 + rate_percent), currency)
