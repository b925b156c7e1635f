"""What erasing a person would do, table by table: the preview, and what is then carried out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from django.db.models import ForeignKey, Model, QuerySet

from opticshop.core import append_only, clock

from .periods import periods_at
from .persons import Person, personal_models
from .rules import AtErasure, Period, RecordKind, policy

DELETE, BLANK, KEEP = AtErasure.DELETE, AtErasure.BLANK, AtErasure.KEEP
#: Never deleted by a plan: the key that other rows hang on, and what shows that a request was answered.
_STAYS = frozenset({RecordKind.IDENTITY, RecordKind.PRIVACY})


@dataclass(frozen=True, slots=True)
class TablePlan:
    """What becomes of a person's rows of one table. ``until`` is the first day on which they need not be kept."""

    table: str
    kind: RecordKind
    what: AtErasure
    rows: int
    until: dt.date | None
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    tables: tuple[TablePlan, ...]
    #: Tables of which rows are deleted although the database seals them: their seals are lifted for it.
    sealed: frozenset[str] = field(default_factory=frozenset)

    def of(self, what: AtErasure) -> list[TablePlan]:
        return [each for each in self.tables if each.what == what]

    @property
    def kept_until(self) -> dt.date | None:
        """When the last of what must be kept need not be any more; None where nothing is kept for a time."""
        return max(self._ends(), default=None)

    @property
    def next_end(self) -> dt.date | None:
        """When the first of it need not be."""
        return min(self._ends(), default=None)

    def _ends(self) -> list[dt.date]:
        return [each.until for each in self.tables if each.what == KEEP and each.until is not None]


def plan_for(person: Person, today: dt.date | None = None) -> Plan:
    """What erasure does now: what need not be kept goes, what must be is kept until its day, with the reason.

    A table whose time is over is kept all the same while rows that must stay refer to it, or while it is sealed and
    the service does not own the database.
    """
    today = today or clock.today(person.root.branch.time_zone)
    periods = periods_at(person.root.branch.jurisdiction, today)
    sealed, may_open = append_only.sealed_tables(), append_only.may_open()
    going = {table for table in person.keys if _is_over(table, person, periods, today)}
    if not may_open:
        going -= sealed
    going = _unreferenced(going, person.keys)
    plans = []
    for table, keys in sorted(person.keys.items()):
        rule = policy().rules[table]
        period = periods.get(rule.kind)
        until = None if period is None or rule.kind in _STAYS else period.ends(person.last_seen, person.birth_date)
        what = DELETE if table in going else rule.at_erasure
        plans.append(TablePlan(table, rule.kind, what, len(keys), until if what == KEEP else None, rule.why))
    return Plan(tuple(plans), frozenset(going & sealed))


def _is_over(table: str, person: Person, periods: Mapping[RecordKind, Period], today: dt.date) -> bool:
    rule = policy().rules[table]
    if rule.at_erasure == DELETE:
        return True
    period = periods.get(rule.kind)
    if period is None or rule.kind in _STAYS:
        return False
    return period.ends(person.last_seen, person.birth_date) <= today


def _unreferenced(going: set[str], held: Mapping[str, list[Any]]) -> set[str]:
    """Those of the tables to which no row refers that stays."""
    models = personal_models()
    while True:
        needed = {
            there
            for table in set(held) - going
            for each in models[table]._meta.local_concrete_fields
            if isinstance(each, ForeignKey)
            and (there := each.related_model._meta.db_table) in going  # type: ignore[union-attr]
            and _refers(models[table], held[table], each)
        }
        if not needed:
            return going
        going = going - needed


def _refers(model: type[Model], keys: list[Any], field: ForeignKey[Any, Any]) -> bool:
    if not field.null:
        return True
    rows: QuerySet[Any] = QuerySet(model)
    return rows.filter(pk__in=keys).exclude(**{field.name: None}).exists()
