"""Why pieces are lost and pairs are made again: reason codes as data, kept apart from who bears the cost.

The codes follow what goes wrong in the trade (common teaching of dispensing and workshop practice; reasons after the
customer has seen the pair as trade press lists them). ``usually`` is who bears the cost when nobody says otherwise: a
proposal, common practice, no source. Which eye, at which step and who bears the cost are always fields of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from django.db import models


class Bearer(models.TextChoices):
    """Who bears the cost."""

    SHOP = "shop", "The shop"
    WORKSHOP = "workshop", "The workshop"
    DISPENSER = "dispenser", "Who dispensed"
    SUPPLIER = "supplier", "The supplier"
    PRESCRIBER = "prescriber", "The prescriber"
    PATIENT = "patient", "The patient"
    INSURER = "insurer", "An insurer"


class Where(StrEnum):
    BENCH = "bench"
    RETURN = "return"
    ORDER = "order"


@dataclass(frozen=True, slots=True)
class Cause:
    """``where``: lost on the bench, come back from the customer, or by a change of the order."""

    key: str
    words: str
    where: frozenset[Where]
    usually: Bearer
    source: str = "common teaching of workshop practice, from memory"


_BENCH, _RETURN, _ORDER = frozenset({Where.BENCH}), frozenset({Where.RETURN}), frozenset({Where.ORDER})
_TRADE_PRESS = "reasons for remakes as trade press lists them"

TABLE: tuple[Cause, ...] = (
    Cause("wrong_power", "Wrong power in the packet or fitted", _BENCH | _RETURN, Bearer.SUPPLIER),
    Cause("eyes_swapped", "Right and left lens swapped", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause("axis_off", "Axis off, or turned when blocking", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause("off_centre", "Off centre", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause("too_small", "Cut too small: a gap in the rim", _BENCH, Bearer.WORKSHOP),
    Cause("too_big", "Cut too big: strain or a star crack", _BENCH, Bearer.WORKSHOP),
    Cause("chipped", "Chipped or flaked at the edge or bevel", _BENCH, Bearer.WORKSHOP),
    Cause("cracked_at_hole", "Cracked at a drill hole", _BENCH, Bearer.WORKSHOP),
    Cause("scratched", "Scratched on the bench", _BENCH, Bearer.WORKSHOP),
    Cause("coating_crazed", "Coating crazed, for instance by heat", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause("tint_mismatch", "Tints do not match", _BENCH | _RETURN, Bearer.SUPPLIER),
    Cause("delaminated", "Delaminated", _BENCH | _RETURN, Bearer.SUPPLIER),
    Cause("bevel_misplaced", "Bevel in the wrong place", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause("pad_marks", "Marks of the blocking pad", _BENCH, Bearer.WORKSHOP),
    Cause("thickness_uneven", "Uneven thickness", _BENCH | _RETURN, Bearer.SUPPLIER),
    Cause("wrong_material", "Wrong material or coating", _BENCH | _RETURN, Bearer.SUPPLIER),
    Cause("dropped", "Dropped or lost on the bench", _BENCH, Bearer.WORKSHOP),
    Cause("machine_fault", "A machine or the power failed", _BENCH, Bearer.WORKSHOP),
    Cause("frame_stretched", "Frame stretched", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause("frame_scorched", "Frame scorched", _BENCH, Bearer.WORKSHOP),
    Cause("frame_snapped", "Frame snapped", _BENCH | _RETURN, Bearer.WORKSHOP),
    Cause(
        "prescriber_change",
        "The prescriber amended the prescription",
        _RETURN | _ORDER,
        Bearer.PRESCRIBER,
        _TRADE_PRESS,
    ),
    Cause("measurement_error", "Measured wrongly", _RETURN | _ORDER, Bearer.DISPENSER, _TRADE_PRESS),
    Cause("transcription_error", "Copied wrongly", _RETURN | _ORDER, Bearer.DISPENSER, _TRADE_PRESS),
    Cause("wrong_frame", "Wrong frame ordered", _RETURN | _ORDER, Bearer.DISPENSER, _TRADE_PRESS),
    Cause("wrong_product", "Wrong lens ordered", _RETURN | _ORDER, Bearer.DISPENSER, _TRADE_PRESS),
    Cause("non_tolerance", "The wearer cannot get used to it", _RETURN, Bearer.SHOP, _TRADE_PRESS),
    Cause("lens_fault", "Fault of the lens under the supplier's warranty", _RETURN, Bearer.SUPPLIER, _TRADE_PRESS),
    Cause("scratched_early", "Scratched early in wear", _RETURN, Bearer.PATIENT, _TRADE_PRESS),
    Cause("broken_in_wear", "Broken in wear", _RETURN, Bearer.PATIENT, _TRADE_PRESS),
    Cause("lost_in_post", "Lost in the post", _RETURN, Bearer.SHOP, _TRADE_PRESS),
    Cause("frame_changed", "The customer chose another frame", _ORDER, Bearer.PATIENT),
    Cause("called_off", "The order was called off", _ORDER, Bearer.SHOP),
    Cause("other", "Something else; the words say what", _BENCH | _RETURN | _ORDER, Bearer.SHOP, "to be complete"),
)
CAUSES: dict[str, Cause] = {cause.key: cause for cause in TABLE}


def choices(where: Where) -> list[tuple[str, str]]:
    """(key, words) of the causes that can be named there."""
    return [(cause.key, cause.words) for cause in TABLE if where in cause.where]


def bearer_of(cause: str, stated: str = "") -> str:
    """Who bears the cost: as stated, else as usual for the cause."""
    return stated or str(CAUSES[cause].usually)


#: For the shapes of requests: (key, words).
ALL = [(cause.key, cause.words) for cause in TABLE]
OF_ORDERS, OF_RETURNS = choices(Where.ORDER), choices(Where.RETURN)
