"""How far an instrument may be off on a check piece: tables of data, each line with its source and confidence."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from .kinds import InstrumentKind, Quantity

_ISO = "ISO 8598-1:2014, from memory, unconfirmed"


@dataclass(frozen=True, slots=True)
class Band:
    """Permitted error, plus or minus and inclusive, up to a certified value in absolute terms (None: any)."""

    up_to: Decimal | None
    permitted: Decimal


@dataclass(frozen=True, slots=True)
class Limit:
    bands: tuple[Band, ...]
    source: str
    confidence: str

    def permitted_at(self, certified: Decimal) -> Decimal:
        size = abs(certified)
        return next(band.permitted for band in self.bands if band.up_to is None or size <= band.up_to)


def _bands(*rows: tuple[str | None, str]) -> tuple[Band, ...]:
    return tuple(Band(None if up_to is None else Decimal(up_to), Decimal(permitted)) for up_to, permitted in rows)


def _practice(permitted: str) -> Limit:
    return Limit(_bands((None, permitted)), "common practice, no source", "low")


LIMITS: dict[tuple[str, str], Limit] = {
    (InstrumentKind.FOCIMETER, Quantity.POWER_DPT): Limit(
        _bands(("5", "0.06"), ("10", "0.09"), ("15", "0.12"), ("20", "0.18"), (None, "0.25")), _ISO, "unconfirmed"
    ),
    (InstrumentKind.FOCIMETER, Quantity.PRISM_DPT): Limit(
        _bands(("5", "0.10"), ("10", "0.15"), ("15", "0.20"), ("20", "0.25"), (None, "0.30")), _ISO, "doubtful"
    ),
    (InstrumentKind.FOCIMETER, Quantity.AXIS_DEG): Limit(_bands((None, "1")), _ISO, "unconfirmed"),
    (InstrumentKind.FOCIMETER, Quantity.ZERO_DPT): Limit(
        _bands((None, "0.03")), "zero of the Chinese verification rule for focimeters; not shown for ISO", "medium"
    ),
    (InstrumentKind.PUPILMETER, Quantity.LENGTH_MM): _practice("0.5"),
    (InstrumentKind.RULER, Quantity.LENGTH_MM): _practice("0.5"),
    (InstrumentKind.THICKNESS_GAUGE, Quantity.THICKNESS_MM): _practice("0.1"),
    (InstrumentKind.LENS_CLOCK, Quantity.CURVE_DPT): _practice("0.12"),
    (InstrumentKind.TRACER, Quantity.LENGTH_MM): _practice("0.1"),
    (InstrumentKind.EDGER, Quantity.LENGTH_MM): _practice("0.1"),
    (InstrumentKind.EDGER, Quantity.AXIS_DEG): _practice("1"),
    (InstrumentKind.GROOVER, Quantity.LENGTH_MM): _practice("0.1"),
    (InstrumentKind.HEATER, Quantity.TEMPERATURE_C): _practice("5"),
    (InstrumentKind.TINT_BATH, Quantity.TEMPERATURE_C): _practice("3"),
}


def limit_for(kind: str, quantity: str) -> Limit | None:
    """The limit of the table, None where it holds none: then the check piece must state one."""
    return LIMITS.get((kind, quantity))


def deviation(quantity: str, reading: Decimal, certified: Decimal) -> Decimal:
    """Reading minus certified value; for an axis the smaller angle, signed, within -90 to 90 degrees."""
    difference = reading - certified
    if quantity != Quantity.AXIS_DEG:
        return difference
    turned = (difference + 90) % 180
    return (turned + 180 if turned < 0 else turned) - 90
