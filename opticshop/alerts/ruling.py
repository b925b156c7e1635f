"""What is in force for a cause at a branch: the defaults, over them the group's rule, over that the branch's own."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from .causes import CAUSES, Cause
from .models import AlertRule

#: Working hours that an alert may wait for somebody before it is escalated (common practice, no source).
ESCALATE_AFTER_HOURS = 4
HOURS_SOURCE, HOURS_CONFIDENCE = "common practice, no source", "low"
DEFAULT, GROUP, BRANCH = "default", "group", "branch"


@dataclass(frozen=True, slots=True)
class Rule:
    """A cause as it is watched at a branch, or, for the group, everywhere. ``set_by`` names who set each value.

    ``version`` is that of the row at this very place, 0 where there is none.
    """

    cause: Cause
    branch_id: uuid.UUID | None
    thresholds: Mapping[str, int]
    owner_role: str
    owner_id: uuid.UUID | None
    escalate_after_hours: int
    is_active: bool
    set_by: Mapping[str, str]
    version: int


class Rules:
    """The rules of all places, from rows fetched once."""

    def __init__(self, rows: Iterable[AlertRule]) -> None:
        self._rows = {(row.branch_id, row.cause): row for row in rows}

    def at(self, branch_id: uuid.UUID | None, cause: Cause) -> Rule:
        own = self._rows.get((branch_id, cause.name))
        layers = [(DEFAULT, None), (GROUP, self._rows.get((None, cause.name)))]
        if branch_id is not None:
            layers.append((BRANCH, own))
        values: dict[str, object] = {
            "owner_role": cause.owner_role,
            "owner_id": None,
            "escalate_after_hours": ESCALATE_AFTER_HOURS,
            "is_active": True,
        }
        thresholds = {each.name: each.default for each in cause.thresholds}
        set_by = dict.fromkeys([*values, *thresholds], DEFAULT)
        for place, row in layers:
            if row is None:
                continue
            told = {name: getattr(row, name) for name in values if getattr(row, name) not in (None, "")}
            known = {name: value for name, value in row.thresholds.items() if name in thresholds}
            values |= told
            thresholds |= known
            set_by |= dict.fromkeys([*told, *known], place)
        return Rule(
            cause=cause,
            branch_id=branch_id,
            thresholds=thresholds,
            set_by=set_by,
            version=0 if own is None else own.version,
            **values,  # type: ignore[arg-type]
        )

    def all_at(self, branch_id: uuid.UUID | None) -> list[Rule]:
        return [self.at(branch_id, cause) for cause in CAUSES.values()]
