"""Typical expanded uncertainty (coverage factor 2) of a reading, by kind of instrument: data, for guard bands.

For a focimeter the permitted error of ISO 8598-1 in the range up to 5 D is taken: a reading that lies within it of a
limit lies inside the error of the instrument itself. The other values are common practice, no source. What a branch
states for its own instrument comes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from opticshop.plugin_api import Uncertainty

from .kinds import InstrumentKind


@dataclass(frozen=True, slots=True)
class Typical:
    uncertainty: Uncertainty
    source: str
    confidence: str


TYPICAL: dict[str, Typical] = {
    InstrumentKind.FOCIMETER: Typical(
        Uncertainty(power_dpt=Decimal("0.06"), prism_dpt=Decimal("0.10"), axis_deg=Decimal(1)),
        "permitted error of ISO 8598-1:2014 at low power, from memory, unconfirmed",
        "unconfirmed",
    ),
    InstrumentKind.PUPILMETER: Typical(Uncertainty(length_mm=Decimal("0.5")), "common practice, no source", "low"),
    InstrumentKind.RULER: Typical(Uncertainty(length_mm=Decimal("0.5")), "common practice, no source", "low"),
    InstrumentKind.THICKNESS_GAUGE: Typical(Uncertainty(length_mm=Decimal("0.1")), "common practice, no source", "low"),
}
