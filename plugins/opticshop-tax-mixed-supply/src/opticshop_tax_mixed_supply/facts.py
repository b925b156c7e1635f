"""What the law says, as dated settings. Not tax advice: the company's adviser decides what is set here.

Source keys
- HMRC-L: HMRC VAT Health manual, VATHLT2190 and 2220 (looked up, in part)
- HMRC-V: HMRC VAT Valuation manual, VATVAL12320, 12340 and 12440, with Revenue & Customs Brief 14 (2020) (looked up)
- mem: from memory
"""

from __future__ import annotations

from typing import Any

from opticshop.plugin_api import dated_rows

SEPARATE, APPORTIONED = "separate-charges", "apportionment"

SCHEMA: dict[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "method": {
            "enum": [SEPARATE, APPORTIONED],
            "title": "Both charges are stated to every customer, or one price is divided by a ratio",
        },
        "registered_business": {
            "type": "boolean",
            "title": "The business is a registered body corporate, or its registered owner does the work",
        },
        "always_supervised": {
            "type": "boolean",
            "title": "Dispensing here is always supervised: a sale that does not say counts as supervised",
        },
        "exemption_reason": {"type": "string", "minLength": 1, "maxLength": 200},
        "rates": dated_rows(
            "Rate on the goods",
            ["percent"],
            percent={"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 100},
        ),
        "ratios": dated_rows(
            "Exempt share of one price for a pair, and the evidence it was drawn from",
            ["exempt_percent", "evidence"],
            exempt_percent={"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 100},
            evidence={"type": "string", "minLength": 1},
        ),
        "notes": {
            "type": "object",
            "title": "What is printed; {percent} is the exempt share",
            "additionalProperties": False,
            "properties": {
                "separate": {"type": "string"},
                "apportioned": {"type": "string"},
                "taxed_whole": {"type": "string"},
            },
            "required": ["separate", "apportioned", "taxed_whole"],
        },
    },
    "required": ["method", "registered_business", "always_supervised", "exemption_reason", "rates", "ratios", "notes"],
}

DEFAULTS: dict[str, Any] = {
    "method": SEPARATE,
    "registered_business": False,
    "always_supervised": False,
    "exemption_reason": "Exempt from VAT: dispensing by, or supervised by, a registered person",
    "rates": [
        {"valid_from": "2008-12-01", "percent": 15, "source": "mem: UK standard rate", "confidence": "from_memory"},
        {"valid_from": "2010-01-01", "percent": 17.5, "source": "mem: UK standard rate", "confidence": "from_memory"},
        {"valid_from": "2011-01-04", "percent": 20, "source": "mem: UK standard rate", "confidence": "from_memory"},
    ],
    "ratios": [],
    "notes": {
        "separate": "Dispensing (measuring and fitting) is charged separately and is exempt from VAT; "
        "frames and lenses bear VAT.",
        "apportioned": "{percent}% of the price of a pair is for dispensing (measuring and fitting), which is exempt "
        "from VAT; the rest is for the goods, which bear VAT.",
        "taxed_whole": "The whole price bears VAT.",
    },
}
