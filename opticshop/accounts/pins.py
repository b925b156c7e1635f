"""Which PINs are refused because many people would take them. Pure."""

from __future__ import annotations

import re
from itertools import pairwise

#: NIST SP 800-63B-4, 3.2.10 (activation secrets; from memory): at least 4 characters, 6 better, digits will do; a short
#: secret is no password, it opens something only together with what one has, here the till's own client.
SHORTEST, LONGEST = 6, 12
_DIGITS = re.compile(rf"[0-9]{{{SHORTEST},{LONGEST}}}")
#: Ways over the keys of a pad, three at a time (common practice, no source).
_COLUMNS = (
    "147",
    "258",
    "369",
    "741",
    "852",
    "963",
    "159",
    "357",
    "951",
    "753",
    "123",
    "456",
    "789",
    "321",
    "654",
    "987",
)


def pin_fault(pin: str, avoid: tuple[str, ...] = ()) -> str | None:
    """Why this cannot be a PIN, in words; None if it can. ``avoid``: texts whose digits it may not be, such as a name.

    Days are not refused: of six digits they are a tenth, and few tries are allowed.
    """
    if not _DIGITS.fullmatch(pin):
        return f"A PIN is {SHORTEST} to {LONGEST} digits."
    if len(set(pin)) < 3:
        return "It has fewer than three different digits."
    if _is_run(pin):
        return "The digits count up or down."
    if any(len(pin) % size == 0 and pin == pin[:size] * (len(pin) // size) for size in range(1, len(pin) // 2 + 1)):
        return "It repeats itself."
    if pin == pin[::-1]:
        return "It reads the same backwards."
    if len(pin) % 3 == 0 and all(pin[i : i + 3] in _COLUMNS for i in range(0, len(pin), 3)):
        return "It is a way over the keys."
    if any(pin in digits or digits in pin for text in avoid if len(digits := re.sub(r"\D", "", text)) >= 4):
        return "It is a number that belongs to you."
    return None


def _is_run(pin: str) -> bool:
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    return steps in ({1}, {9})
