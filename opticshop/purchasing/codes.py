"""What a scanner reads from a packet: a GS1 element string, a bare trade item number, or one of our lot codes."""

from __future__ import annotations

import re
from dataclasses import dataclass

from stdnum import gs1_128
from stdnum.exceptions import ValidationError

from opticshop.catalogue.gtin import gtin_normalised
from opticshop.core.errors import Invalid

_SEPARATOR = "\x1d"
#: What scanners put before the data when told to: symbology identifiers of GS1-128, GS1 DataMatrix, GS1 QR, EAN/UPC.
_IDENTIFIERS = ("]C1", "]d2", "]Q3", "]E0", "]E4")
_BRACKETED = re.compile(r"\(([0-9]{2,4})\)", re.ASCII)
_TRADE_ITEM = re.compile(r"[0-9]{8}|[0-9]{12,14}", re.ASCII)
_ELEMENTS = re.compile(r"\x1d?01[0-9]{14}", re.ASCII)
_PLAIN = re.compile(r"[!-~ \x1d]+", re.ASCII)


class CodeUnreadable(Invalid):
    """The text is no element string with a trade item number, no trade item number and no lot code."""

    code = "purchasing.code_unreadable"
    title = "The scanned code cannot be read"


@dataclass(frozen=True, slots=True)
class ScannedCode:
    """What the code says: a GTIN of fourteen digits or empty, a lot or empty; ``text`` for a bare lot code."""

    gtin: str = ""
    lot_code: str = ""
    text: str = ""


def scanned(text: str) -> ScannedCode:
    """Read a scan. (01) is the trade item, (10) the lot; further elements are allowed and left alone.

    Element strings may come with their brackets, or raw with the separator GS after variable-length elements (General
    Specifications of GS1, as python-stdnum carries their table). Raises CodeUnreadable, GtinMalformed, GtinCheckDigit.
    """
    code = text.strip(" \r\n\t")
    for identifier in _IDENTIFIERS:
        code = code.removeprefix(identifier)
    if not code or len(code) > 200 or not _PLAIN.fullmatch(code):
        raise _unreadable(text)
    if _BRACKETED.match(code):
        return _elements(_BRACKETED.sub(rf"{_SEPARATOR}\1", code).removeprefix(_SEPARATOR), text)
    if _TRADE_ITEM.fullmatch(code):
        return ScannedCode(gtin=gtin_normalised(code))
    if _ELEMENTS.match(code):
        return _elements(code.removeprefix(_SEPARATOR), text)
    if _SEPARATOR in code or len(code) > 40:
        raise _unreadable(text)
    return ScannedCode(text=code)


def _elements(code: str, text: str) -> ScannedCode:
    number = code[2:16]
    if code.startswith("01"):
        gtin_normalised(number)  # says which check digit would be right, before the parser merely refuses
    try:
        elements = gs1_128.info(code, separator=_SEPARATOR)
    except (ValidationError, ValueError, KeyError, IndexError, AttributeError) as error:
        raise _unreadable(text) from error
    lot = str(elements.get("10", ""))
    if "01" not in elements or len(lot) > 20 or ("10" in elements and not lot):
        raise _unreadable(text)
    return ScannedCode(gtin=gtin_normalised(str(elements["01"])), lot_code=lot)


def _unreadable(text: str) -> CodeUnreadable:
    return CodeUnreadable(
        f"{text[:60]!r} says nothing.",
        field="code",
        allowed="(01)GTIN(10)lot, a GTIN of 8, 12, 13 or 14 digits, or one of our lot codes",
    )
