"""How numbers and days are written on paper."""

from __future__ import annotations

import datetime as dt
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation

DASH = "–"
MINUS = "−"

_CURRENCY_SIGNS = {"GBP": "£", "EUR": "€", "USD": "$"}


def millimetres(value: float | Decimal | None, places: int = 1) -> str:
    """``31.0``; a second decimal only where the value has one (``31.25``); a dash for None."""
    if value is None:
        return DASH
    fine = f"{abs(value):.2f}"
    text = f"{abs(value):.{places}f}" if fine.endswith("0") or places != 1 else fine
    return MINUS + text if value < 0 and float(text) != 0 else text


def tenths(value: float | None) -> str:
    """A computed length, said to a tenth of a millimetre; a dash for None."""
    return DASH if value is None else millimetres(round(value, 1))


def power(value: Decimal | None) -> str:
    """Dioptres with their sign: ``+1.25``, ``−0.50``, ``0.00``."""
    if value is None:
        return DASH
    sign = "+" if value > 0 else MINUS if value < 0 else ""
    return f"{sign}{abs(value):.2f}"


def sphere_cylinder(sphere: Decimal, cylinder: Decimal, axis_deg: int | None) -> str:
    """``−2.25 / −0.75 × 95``, or the sphere alone."""
    return power(sphere) + (f" / {power(cylinder)} × {axis_deg}" if cylinder else "")


def prism(inward: Decimal, upward: Decimal) -> str:
    """``2.00 in, 0.50 down``; a dash when there is none."""
    parts = []
    if inward:
        parts.append(f"{abs(inward):.2f} {'in' if inward > 0 else 'out'}")
    if upward:
        parts.append(f"{abs(upward):.2f} {'up' if upward > 0 else 'down'}")
    return ", ".join(parts) or DASH


#: Places after the point in which the trade writes powers and prism, lengths and angles. Common practice, no source.
_PLACES = {"D": 2, "Δ": 2, "mm": 1, "°": 0}
#: No paper shows more than a thousandth of a unit: below that is what computing left.
_FINEST = Decimal("0.001")


def in_steps(value: str | int | Decimal | None, unit: str) -> str:
    """A judged number: the places that the unit is written in, more only where the number has them; nothing for None.

    ``0.00`` for ``0.00000000`` and ``0.125`` for a limit between two steps.
    """
    if value is None:
        return ""
    try:
        exact = Decimal(str(value))
    except InvalidOperation:
        return str(value)
    if not exact.is_finite():
        return str(value)
    exact = exact.quantize(_FINEST, rounding=ROUND_HALF_UP)
    whole, _, rest = f"{abs(exact):f}".partition(".")
    places = _PLACES.get(unit, 0)
    rest = rest.rstrip("0").ljust(places, "0")
    return (MINUS if exact < 0 else "") + whole + (f".{rest}" if rest else "")


def decentration(inward: float, upward: float) -> tuple[str, str]:
    """``("3.0 in", "2.0 up")``, with out and down for negative values."""
    return (
        f"{millimetres(abs(inward))} {'out' if round(inward, 2) < 0 else 'in'}",
        f"{millimetres(abs(upward))} {'down' if round(upward, 2) < 0 else 'up'}",
    )


def money(amount: Decimal, currency: str) -> str:
    """``£42.50``, ``−£5.00``, ``1,250 JPY``: the digits are those of the amount given."""
    sign = MINUS if amount < 0 else ""
    mark = _CURRENCY_SIGNS.get(currency)
    digits = f"{abs(amount):,f}"
    return f"{sign}{mark}{digits}" if mark else f"{sign}{digits} {currency}"


def day(value: dt.date) -> str:
    """``2 March 2026``, the same in every locale."""
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def day_with_weekday(value: dt.date) -> str:
    return f"{_WEEKDAYS[value.weekday()]} {day(value)}"


_MONTHS = (
    "January February March April May June July August September October November December".split()  # noqa: SIM905
)
_WEEKDAYS = "Monday Tuesday Wednesday Thursday Friday Saturday Sunday".split()  # noqa: SIM905
