"""Card numbers are kept out: a text that holds one is refused before it reaches a table or a log."""

from __future__ import annotations

import re
import unicodedata

from stdnum import luhn

from opticshop.core.errors import Invalid

#: Lengths of payment card numbers (ISO/IEC 7812-1, from memory: 13 to 19 digits in use, the last a Luhn check digit).
_SHORTEST, _LONGEST = 13, 19
_GROUPS = re.compile(r"[0-9]+(?:[ .\-/_][0-9]+)*")
_SEPARATORS = re.compile(r"[ .\-/_]")


class CardDataRefused(Invalid):
    """A reference or reason looks like it holds a payment card number. The answer does not repeat it."""

    code = "billing.card_data_refused"
    title = "Card numbers are not accepted here"


def holds_card_number(text: str) -> bool:
    """Whether a run of 13 to 19 digits, written together or in groups, has a valid Luhn check digit (python-stdnum)."""
    for run in _GROUPS.findall(unicodedata.normalize("NFKC", text)):
        groups = _SEPARATORS.split(run)
        if any(_looks_like_card(digits) for digits in ("".join(groups), *groups)):
            return True
    return False


def refuse_card_data(text: str, *, field: str) -> None:
    """Raise CardDataRefused if the text holds a card number. One long number in ten passes the check by chance."""
    if holds_card_number(text):
        raise CardDataRefused(
            "This looks like a card number. Give the terminal's own reference, or leave it empty.",
            field=field,
            allowed="a reference without a card number",
        )


def _looks_like_card(digits: str) -> bool:
    return _SHORTEST <= len(digits) <= _LONGEST and luhn.is_valid(digits)
