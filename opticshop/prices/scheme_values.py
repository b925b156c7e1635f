"""Historic values of the schemes: EXAMPLES to learn and test with, each with its source and confidence.

The values in force today are entered by head office (``POST /api/v1/scheme-values/``). Values for 2026 were looked for
and not found; none is stated, and none of these reaches into 2026, so that no voucher of that year can rest on them.
What was not read is left out: a band without a row has no value, and nothing is worked out from its neighbours.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from .schemes import UK_OPTICAL


@dataclass(frozen=True, slots=True)
class ExampleValue:
    nation: str
    code: str
    amount: Decimal
    valid_from: dt.date
    valid_to: dt.date
    source: str
    confidence: str
    scheme: str = UK_OPTICAL.key
    kind: str = "band"


def _examples(
    valid_from: dt.date, valid_to: dt.date, source: str, confidence: str, **amounts: str
) -> tuple[ExampleValue, ...]:
    return tuple(
        ExampleValue("ENG", code, Decimal(amount), valid_from, valid_to, source, confidence)
        for code, amount in amounts.items()
    )


EXAMPLES: tuple[ExampleValue, ...] = (
    *_examples(
        dt.date(2014, 4, 1),
        dt.date(2015, 3, 31),
        "published voucher values of 2014, read 2026",
        "high as historic amounts; days assumed to be those of a financial year",
        A="38.30",
        H="211.30",
    ),
    *_examples(
        dt.date(2019, 4, 1),
        dt.date(2022, 3, 31),
        "published voucher values of about 2019 to 2022, read 2026",
        "high as historic amounts; first and last day are approximate",
        A="39.10",
        B="59.30",
        C="86.90",
        D="196.00",
        E="67.50",
        F="85.60",
        G="111.20",
        H="215.50",
    ),
    *_examples(
        dt.date(2024, 4, 1),
        dt.date(2025, 12, 31),
        "health department's letters of April 2024 and April 2025 (values left as they were), read 2026",
        "high as historic amounts; the last day only says that nothing later was read",
        A="42.40",
        E="73.10",
        H="233.56",
        I="217.58",
    ),
)
