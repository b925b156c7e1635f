"""Global trade item numbers: read in any of their lengths, kept as fourteen digits of text.

A number of 8, 12, 13 or 14 digits is padded on the left with zeros, which leaves its check digit as it is: the GS1
mod-10 weights run from the right. The check misses a swap of neighbours that differ by five.
"""

from __future__ import annotations

import re

from stdnum import ean

from opticshop.core.errors import Invalid

_DIGITS = re.compile(r"[0-9]+", re.ASCII)
_LENGTHS = (8, 12, 13, 14)
#: GTIN-13 prefixes for restricted circulation: numbers a company gives itself, which mean nothing outside it.
_RESTRICTED = re.compile(r"[0-9](?:02[0-9]|04[0-9]|2[0-9]{2})", re.ASCII)


class GtinMalformed(Invalid):
    """The text is not 8, 12, 13 or 14 digits 0 to 9."""

    code = "catalogue.gtin_malformed"
    title = "This is not a trade item number"


class GtinCheckDigit(Invalid):
    """The last digit does not follow from the others: a digit is wrong or missing."""

    code = "catalogue.gtin_check_digit"
    title = "The check digit of the trade item number is wrong"


def gtin_normalised(text: str) -> str:
    """The number as fourteen digits; empty for empty. Raises GtinMalformed or GtinCheckDigit."""
    if not text:
        return ""
    if not _DIGITS.fullmatch(text) or len(text) not in _LENGTHS or not text.strip("0"):
        raise GtinMalformed(
            f"{text!r} is not a trade item number.", field="gtin", allowed="8, 12, 13 or 14 digits 0 to 9, no spaces"
        )
    right = ean.calc_check_digit(text[:-1])
    if text[-1] != right:
        raise GtinCheckDigit(
            f"If the other digits of {text} are right, its check digit is {right}, not {text[-1]}.",
            field="gtin",
            allowed=right,
        )
    return text.rjust(14, "0")


def is_restricted(gtin: str) -> bool:
    """Whether the number is for use inside one company only (GTIN-13 prefixes 020-029, 040-049, 200-299)."""
    return _RESTRICTED.match(gtin) is not None
