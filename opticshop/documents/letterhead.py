from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The branch as it stands at the top of its papers. ``address`` may have several lines."""

    name: str
    address: str = ""
    phone: str = ""
    tax_number: str = ""
