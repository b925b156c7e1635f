"""What a run or a simulation is asked for, apart from the branches: plain values with their defaults."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from .policy import ServiceKind

#: Version of the computation, stored with every run. It changes when the same history would give other advice.
METHOD = "1"
#: A working week of five days: so many calendar days pass in so many working days.
_CALENDAR_PER_WORKING_DAY = 7 / 5


@dataclass(frozen=True, slots=True)
class Parameters:
    """``service`` is the aim, of the stated kind; ``weeks`` the history looked at.

    ``review_days``: how often somebody orders. ``lead_days``: calendar days until a delivery, where no supplier says.
    ``cover_days``: how long an order should last beyond the level. ``transfers``: whether surplus of another branch
    goes before buying.
    """

    service: Decimal = Decimal("0.95")
    kind: ServiceKind = "fill"
    weeks: int = 52
    review_days: int = 7
    lead_days: int = 7
    cover_days: int = 0
    transfers: bool = True

    def as_json(self) -> dict[str, Any]:
        """Under the names by which a request gives them."""
        return {
            "service_level": str(self.service),
            "service_kind": self.kind,
            "history_weeks": self.weeks,
            "review_days": self.review_days,
            "lead_days": self.lead_days,
            "cover_days": self.cover_days,
            "use_transfers": self.transfers,
        }


def calendar_days(working_days: int) -> int:
    """Calendar days in which so many working days pass, Monday to Friday, rounded up."""
    return math.ceil(working_days * _CALENDAR_PER_WORKING_DAY)
