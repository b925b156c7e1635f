"""Shares by one rule everywhere: fractions of 1 to four places."""

from __future__ import annotations

from decimal import Decimal

_PLACES = Decimal("0.0001")


def share_of(part: Decimal | int, whole: Decimal | int) -> Decimal | None:
    """The part over the whole; None where there is nothing to divide by."""
    return (Decimal(part) / whole).quantize(_PLACES) if whole else None
