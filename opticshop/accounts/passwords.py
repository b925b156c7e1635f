"""What a password must be, and how it is kept.

NIST SP 800-63B-4, 3.1.1.2 (from memory): at least 15 characters where the password is all that is asked for, at least
64 allowed, every character of Unicode and spaces, a list of common ones refused, no rules of composition, no expiry.
The shorter length allowed beside a second factor is not used: whoever becomes a manager keeps the password, and so
does the one who stops being one. OWASP, Password Storage Cheat Sheet: Argon2id with at least m=19456 KiB, t=2, p=1; RFC
9106, section 4, recommends m=64 MiB, t=3, p=4 where memory is short, which is taken here.
"""

from __future__ import annotations

import unicodedata
from itertools import pairwise
from typing import Any

from django.contrib.auth.hashers import Argon2PasswordHasher
from django.core.exceptions import ValidationError

SHORTEST, LONGEST = 15, 200

RULES = (
    f"{SHORTEST} to {LONGEST} characters of any script; several words with spaces are best",
    "not your name or user name, or nearly that",
    "not one of the passwords that many people have, nor the name of this service",
    "not a few characters repeated or counted up",
)


class Argon2idHasher(Argon2PasswordHasher):
    """The second set of parameters that RFC 9106 recommends. Hashes made with others are renewed at a sign-in."""

    time_cost = 3
    memory_cost = 64 * 1024  # KiB
    parallelism = 4


def normalized(password: str) -> str:
    """One form of the text whatever the keyboard sends: NFKC (Unicode Annex 15; NIST SP 800-63B-3, 5.1.1.2).

    Cut first: a long run of combining marks takes quadratic time. Composing makes one character of four at most, so
    what is cut is too long all the same.
    """
    return unicodedata.normalize("NFKC", password[: 4 * (LONGEST + 1)])


class LengthValidator:
    """Characters are code points after normalization."""

    def validate(self, password: str, user: Any = None) -> None:
        length = len(normalized(password))
        if length < SHORTEST:
            raise ValidationError(f"This is too short: {length} characters of {SHORTEST}.", code="too_short")
        if length > LONGEST:
            raise ValidationError(f"This is too long: {length} characters, at most {LONGEST}.", code="too_long")

    def get_help_text(self) -> str:
        return RULES[0]


class TooSimpleValidator:
    """Refuses what is long without being more: one piece repeated, a run of characters, the name of the service."""

    def validate(self, password: str, user: Any = None) -> None:
        text = "".join(normalized(password).casefold().split())
        if _is_repeated(text) or _is_run(text):
            raise ValidationError("This repeats or counts; it is as easy to guess as its beginning.", code="too_simple")
        if len(text.replace("opticshop", "")) < len(text) / 2:
            raise ValidationError("This is little more than the name of the service.", code="too_simple")

    def get_help_text(self) -> str:
        return RULES[3]


def _is_repeated(text: str) -> bool:
    """Whether it is a piece said twice or more that would be too short by itself."""
    pieces = (text[:size] for size in range(1, min(SHORTEST, len(text) // 2 + 1)))
    return any((piece * len(text))[: len(text)] == text for piece in pieces)


def _is_run(text: str) -> bool:
    steps = [ord(after) - ord(before) for before, after in pairwise(text)]
    breaks = sum(step not in (1, -1) or step != steps[0] for step in steps)
    return len(text) > 1 and breaks <= len(text) // 8
