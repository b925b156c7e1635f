"""The machine-readable part of a label: GS1 symbols, EAN and QR codes as matrices of modules, checked before drawn.

GS1 element strings carry (01) the trade item number, (10) the lot and (91) company data; EAN-13 and EAN-8 (ISO/IEC
15420) carry the number alone; a QR code (ISO/IEC 18004) carries an opaque id of ours. Everything that cannot be
encoded faithfully is refused here: the encoders themselves would cut, pad or recompute it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import segno
import zxingcpp
from stdnum import ean
from stdnum import gs1_128 as element_strings

from .errors import DocumentError

Rows = tuple[bytes, ...]

GTIN, LOT, COMPANY = "01", "10", "91"
#: The characters of GS1 element strings ("character set 82" of the GS1 General Specifications; from memory) but for
#: round brackets, which readers set around the identifiers and people could not tell apart.
_ELEMENT = re.compile(r"[!\"%&'*+,\-./0-9:;<=>?A-Z_a-z]+", re.ASCII)
_LONGEST = {LOT: 20, COMPANY: 90}
_DIGITS = re.compile(r"[0-9]{14}", re.ASCII)
_OPAQUE = re.compile(r"[\x21-\x7e]{1,60}", re.ASCII)
SEPARATOR = "\x1d"
#: Modules of an EAN-13 that reach down between the digits: the guards left, in the middle and right.
_EAN_GUARDS = {95: (0, 2, 46, 48, 92, 94), 67: (0, 2, 32, 34, 64, 66)}


@dataclass(frozen=True, slots=True)
class Symbol:
    """Rows of modules from the top, 1 is dark; a linear symbol is one row. ``quiet`` is kept clear on every side.

    ``quiet`` counts modules left, right, above and below. ``human`` is what stands under the symbol for people.
    """

    rows: Rows
    quiet: tuple[int, int, int, int]
    human: tuple[str, ...] = ()
    guards: tuple[int, ...] = ()

    @property
    def is_linear(self) -> bool:
        return len(self.rows) == 1

    @property
    def modules_wide(self) -> int:
        """With the quiet zone."""
        return self.quiet[0] + len(self.rows[0]) + self.quiet[1]

    @property
    def modules_high(self) -> int:
        """With the quiet zone; of a linear symbol the quiet zone only."""
        return self.quiet[2] + (0 if self.is_linear else len(self.rows)) + self.quiet[3]


def gtin_checked(gtin: str) -> str:
    """The number as 14 digits. Raises DocumentError; for a wrong check digit it says which would be right."""
    if not _DIGITS.fullmatch(gtin.rjust(14, "0")) or len(gtin) not in {8, 12, 13, 14} or not gtin.strip("0"):
        raise DocumentError(f"{gtin!r} is not a trade item number of 8, 12, 13 or 14 digits.", field="gtin")
    right = ean.calc_check_digit(gtin[:-1])
    if gtin[-1] != right:
        raise DocumentError(f"The check digit of {gtin} should be {right}, not {gtin[-1]}.", field="gtin")
    return gtin.rjust(14, "0")


def can_be_element(identifier: str, value: str) -> bool:
    """Whether the value can be carried under (10) or (91) as it is."""
    return len(value) <= _LONGEST[identifier] and _ELEMENT.fullmatch(value) is not None


def gs1_data_matrix(gtin: str, lot: str = "", company: str = "") -> Symbol:
    """GS1 DataMatrix (ISO/IEC 16022, a square one) of (01) and, where given, (10) and (91). Raises DocumentError."""
    elements = _elements(gtin, lot, company)
    rows = _encoded(elements, zxingcpp.BarcodeFormat.DataMatrix)
    return Symbol(rows, quiet=(1, 1, 1, 1), human=_for_people(elements))


def gs1_128(gtin: str, lot: str = "", company: str = "") -> Symbol:
    """GS1-128 (ISO/IEC 15417) of the same elements. Raises DocumentError."""
    elements = _elements(gtin, lot, company)
    rows = _encoded(elements, zxingcpp.BarcodeFormat.Code128)
    return Symbol(rows[:1], quiet=(10, 10, 0, 0), human=_for_people(elements))


def retail_code(gtin: str) -> Symbol | None:
    """EAN-8 for a number of 8 digits, else EAN-13; None for a number of 14 digits, which neither can carry.

    Raises DocumentError. A number of 12 digits is carried with a zero before it.
    """
    number = gtin_checked(gtin)
    if number[0] != "0":
        return None
    short = number.startswith("000000")
    text = number[6:] if short else number[1:]
    kind = zxingcpp.BarcodeFormat.EAN8 if short else zxingcpp.BarcodeFormat.EAN13
    rows = _modules(zxingcpp.create_barcode(text, kind))
    quiet = (7, 7, 0, 0) if short else (11, 7, 0, 0)
    return Symbol(rows[:1], quiet=quiet, human=(text,), guards=_EAN_GUARDS[len(rows[0])])


def opaque_code(content: str) -> Symbol:
    """A QR code of an id that means nothing to others. Raises DocumentError for spaces, control marks or length."""
    if not _OPAQUE.fullmatch(content):
        raise DocumentError(f"{content!r} cannot be a code: 1 to 60 plain characters without spaces.", field="code")
    rows = tuple(bytes(row) for row in segno.make(content, error="m", micro=False).matrix)
    return Symbol(rows, quiet=(4, 4, 4, 4))


def elements_read(text: str) -> dict[str, str]:
    """The elements of a scanned GS1 string (identifiers without brackets, GS between them), identifier -> value.

    Raises DocumentError when it is no element string, or its trade item number has a wrong check digit.
    """
    try:
        found = {key: str(value) for key, value in element_strings.info(text, separator=SEPARATOR).items()}
    except Exception as error:
        raise DocumentError(f"{text!r} is no GS1 element string.", field="code") from error
    if not found:
        raise DocumentError("The code is empty.", field="code")
    if GTIN in found:
        gtin_checked(found[GTIN])
    return found


def _elements(gtin: str, lot: str, company: str) -> dict[str, str]:
    elements = {GTIN: gtin_checked(gtin), LOT: lot, COMPANY: company}
    for identifier, field in ((LOT, "lot"), (COMPANY, "company")):
        value = elements[identifier]
        if value and not can_be_element(identifier, value):
            raise DocumentError(
                f"{value!r} cannot be carried under ({identifier}): 1 to {_LONGEST[identifier]} characters, "
                "letters, digits and plain marks without spaces.",
                field=field,
            )
    return {identifier: value for identifier, value in elements.items() if value}


def _for_people(elements: Mapping[str, str]) -> tuple[str, ...]:
    """Number and lot as GS1 writes them for people; company data is for machines."""
    return tuple(f"({key}){value}" for key, value in elements.items() if key != COMPANY)


def _encoded(elements: Mapping[str, str], kind: zxingcpp.BarcodeFormat) -> Rows:
    """Square brackets mark the identifiers: unlike round ones they cannot occur in a value.

    Data matrices are square: the long ones of ISO/IEC 21471, which the encoder takes when they are smaller, are
    not read everywhere. Other kinds do not know the option.
    """
    written = "".join(f"[{identifier}]{value}" for identifier, value in elements.items())
    options = {"force_square": True} if kind == zxingcpp.BarcodeFormat.DataMatrix else {}
    return _modules(zxingcpp.create_barcode(written, kind, gs1=True, **options))


def _modules(barcode: zxingcpp.Barcode) -> Rows:
    image = memoryview(barcode.to_image(scale=1, add_hrt=False, add_quiet_zones=False))
    rows: Any = image.tolist()
    return tuple(bytes(grey < 128 for grey in row) for row in rows)
