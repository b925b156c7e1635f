"""How long a text message is: GSM 7-bit where its alphabet suffices, else UCS-2.

3GPP TS 23.038 (alphabet, clause 6.2.1) and TS 23.040 (concatenation, clause 9.2.3.24.1), both from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

_BASIC = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
#: Each of these takes two septets: an escape and itself.
_EXTENDED = "\f^{}\\[~]|€"
_SEPTETS = {**dict.fromkeys(_BASIC, 1), **dict.fromkeys(_EXTENDED, 2)}

#: Units in a message that stands alone, and in each part of one that is split (a header takes the rest).
ALONE = {"gsm7": 160, "ucs2": 70}
PART = {"gsm7": 153, "ucs2": 67}
#: More parts are refused: each is charged, and some carriers drop long ones (common practice, no source).
MAX_SEGMENTS = 4


@dataclass(frozen=True, slots=True)
class TextLength:
    """``units`` are septets of GSM 7-bit, or 16-bit units of UCS-2."""

    encoding: Literal["gsm7", "ucs2"]
    units: int
    segments: int


def text_length(text: str) -> TextLength:
    """Length of a text message and the number of parts that it is sent in; an empty one is one part."""
    encoding: Literal["gsm7", "ucs2"] = "gsm7" if all(char in _SEPTETS for char in text) else "ucs2"
    sizes = [_SEPTETS[char] for char in text] if encoding == "gsm7" else [1 + (ord(char) > 0xFFFF) for char in text]
    units = sum(sizes)
    return TextLength(encoding, units, 1 if units <= ALONE[encoding] else _parts(sizes, PART[encoding]))


def _parts(sizes: Iterable[int], room: int) -> int:
    """Parts needed when a character of two units is not torn apart."""
    parts, used = 1, 0
    for size in sizes:
        if used + size > room:
            parts, used = parts + 1, 0
        used += size
    return parts
