"""What a pair was measured with: whether those instruments may be used, and how uncertain their readings are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from opticshop.branches.models import Branch
from opticshop.instruments import services as instruments
from opticshop.instruments.kinds import InstrumentKind
from opticshop.instruments.models import Instrument
from opticshop.instruments.selectors import uncertainty_for

QUANTITIES = ("power_dpt", "axis_deg", "prism_dpt", "length_mm")


@dataclass(frozen=True, slots=True)
class Used:
    """One instrument; ``flag`` is why its readings are doubtful where the branch lets them be recorded all the same."""

    instrument: Instrument
    calibration: str
    flag: str


def checked(branch: Branch, chosen: Iterable[Instrument]) -> list[Used]:
    """Each instrument once. Raises what the register of instruments refuses (elsewhere, out of service, blocked)."""
    used = []
    for instrument in {each.id: each for each in chosen}.values():
        usable = instruments.require_usable(branch=branch, instrument=instrument)
        used.append(Used(instrument, str(usable.state), usable.reason if usable.is_flagged else ""))
    return used


def of_powers(used: Iterable[Used]) -> Instrument | None:
    """The focimeter among the instruments used, else the first of them."""
    found = [each.instrument for each in used]
    return next((each for each in found if each.kind == InstrumentKind.FOCIMETER), found[0] if found else None)


def uncertainty_of(used: Iterable[Used], stated: Mapping[str, Any] | None) -> dict[str, Decimal]:
    """Expanded uncertainty per quantity: as stated by who measured, else the largest of the instruments used.

    It is that of a single reading also where several were taken: repeating does not take away what an instrument is
    off by throughout.
    """
    found: dict[str, Decimal] = {}
    for each in used:
        own = uncertainty_for(each.instrument)
        for quantity in QUANTITIES:
            value = getattr(own, quantity, None)
            if value is not None:
                found[quantity] = max(value, found.get(quantity, value))
    found.update({quantity: value for quantity, value in (stated or {}).items() if value is not None})
    return found
