"""What becomes of the tax in a deposit that is kept when the customer calls the order off: data by jurisdiction.

Not tax advice. The rules are from memory and contested between countries; local law and the company's adviser come
first. A jurisdiction without a row leaves the tax as it was accounted for: nothing is reclaimed by accident.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Treatment:
    """From a day on: whether the tax in a deposit that is kept is given back by the state."""

    jurisdiction: str
    valid_from: dt.date
    tax_falls_away: bool
    words: str
    source: str
    confidence: str

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self), "valid_from": self.valid_from.isoformat()}


_CAUTION = "low; ask the company's adviser before relying on it"
TREATMENTS: tuple[Treatment, ...] = (
    Treatment(
        "GB",
        dt.date(2019, 3, 1),
        tax_falls_away=False,
        words="The tax on a deposit that is kept stays due, although nothing was supplied.",
        source="Revenue and Customs Brief 13 (2018), from memory",
        confidence=_CAUTION,
    ),
    Treatment(
        "GB",
        dt.date(1973, 4, 1),
        tax_falls_away=True,
        words="A deposit that is kept is compensation outside the scope of tax.",
        source="practice before March 2019, from memory",
        confidence=_CAUTION,
    ),
    Treatment(
        "EU",
        dt.date(2007, 7, 18),
        tax_falls_away=True,
        words="A deposit that is kept when the customer withdraws is compensation, not payment for a supply.",
        source="Court of Justice, case C-277/05 (about hotel rooms), from memory",
        confidence=_CAUTION,
    ),
)
UNKNOWN = Treatment(
    "",
    dt.date.min,
    tax_falls_away=False,
    words="No rule is recorded for this jurisdiction; the tax stays as it was accounted for.",
    source="the careful choice, no source",
    confidence=_CAUTION,
)


def treatment(jurisdiction: str, day: dt.date) -> Treatment:
    """The rule in force on the day; one for ``EU-..`` parts falls back to the whole."""
    for place in (jurisdiction, jurisdiction.split("-")[0]):
        found = [rule for rule in TREATMENTS if rule.jurisdiction == place and rule.valid_from <= day]
        if found:
            return max(found, key=lambda rule: rule.valid_from)
    return UNKNOWN
