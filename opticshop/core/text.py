"""Folding of names for search: lower case, no accents, single spaces."""

from __future__ import annotations

import unicodedata


def folded(text: str) -> str:
    apart = unicodedata.normalize("NFKD", text)
    plain = "".join(char for char in apart if not unicodedata.combining(char))
    return " ".join(plain.casefold().split())
