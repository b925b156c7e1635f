"""What facts were made with: of another version they are counted anew."""

from __future__ import annotations

from functools import cache
from importlib.metadata import version

#: Raise it whenever a figure that is kept as a fact is counted otherwise than before.
DEFINITIONS = 1


@cache
def made_with() -> str:
    """The definitions, and the library of public holidays on which working hours rest."""
    return f"{DEFINITIONS} holidays {version('holidays')}"[:40]
