"""What is checked on each kind of instrument, and how often: a table of data with what each line rests on.

Intervals are the ordinary practice of workshops, not the text of a standard; the maker's instructions and local rules
come first. A branch overrides the interval of an instrument where it knows better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .kinds import InstrumentKind, Quantity

_FOCIMETER = "in the spirit of ISO 8598, from memory: test lenses and axis marker weekly or monthly and after a move"
_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Need:
    """One check. Without ``counts`` it is advice: missing it does not make the instrument overdue."""

    quantity: Quantity
    interval_days: int
    words: str
    source: str
    confidence: str
    counts: bool = True


SCHEDULE: dict[str, tuple[Need, ...]] = {
    InstrumentKind.FOCIMETER: (
        Need(
            Quantity.ZERO_DPT,
            1,
            "Zero, at the start of the day; the eyepiece focused for each user",
            "in the spirit of ISO 8598, from memory",
            "medium",
            counts=False,
        ),
        Need(Quantity.POWER_DPT, 30, "Test lenses of known power, for instance +5 and -10", _FOCIMETER, "medium"),
        Need(Quantity.PRISM_DPT, 30, "A test prism", _FOCIMETER, "medium"),
        Need(Quantity.AXIS_DEG, 30, "The axis marker with a marked test lens", _FOCIMETER, "medium"),
    ),
    InstrumentKind.PUPILMETER: (Need(Quantity.LENGTH_MM, 90, "A test face of known distance", _PRACTICE, "medium"),),
    InstrumentKind.RULER: (
        Need(Quantity.LENGTH_MM, 365, "Against a steel rule, looking straight down", _PRACTICE, "medium"),
    ),
    InstrumentKind.THICKNESS_GAUGE: (
        Need(Quantity.THICKNESS_MM, 90, "On a piece of known thickness, and at zero", _PRACTICE, "medium"),
    ),
    InstrumentKind.LENS_CLOCK: (
        Need(Quantity.CURVE_DPT, 90, "On a flat, and on a surface of known curve", _PRACTICE, "medium"),
    ),
    InstrumentKind.TRACER: (Need(Quantity.LENGTH_MM, 30, "The reference shape", _PRACTICE, "medium"),),
    InstrumentKind.EDGER: (
        Need(Quantity.LENGTH_MM, 7, "Size of a test lens, also after dressing the wheel", _PRACTICE, "medium"),
        Need(Quantity.AXIS_DEG, 7, "Angle of a blocked test lens", _PRACTICE, "medium"),
    ),
    InstrumentKind.GROOVER: (Need(Quantity.LENGTH_MM, 30, "Depth of a test groove", _PRACTICE, "medium"),),
    InstrumentKind.HEATER: (Need(Quantity.TEMPERATURE_C, 180, "The thermostat", _PRACTICE, "medium"),),
    InstrumentKind.TINT_BATH: (Need(Quantity.TEMPERATURE_C, 30, "The bath with a thermometer", _PRACTICE, "medium"),),
    InstrumentKind.OTHER: (),
}

#: An instrument is "due" during the last tenth of its interval, and at least on the last day.
DUE_SHARE = 10


def needs_of(kind: str) -> Sequence[Need]:
    """The checks that keep an instrument of this kind in calibration."""
    return [need for need in SCHEDULE[kind] if need.counts]
