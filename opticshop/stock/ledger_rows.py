"""The statements behind every movement, in plain SQL because they are the busiest there are.

Conditions and sums are tried by the database on the newest row. On PostgreSQL lots are held in one statement, and
balance and line are written in one; SQLite, where a transaction has the file for itself, does one after the other.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from functools import cache
from typing import Any

from django.conf import settings
from django.db import connection, models

from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet

from .models import Lot, Movement

#: Columns of the line that only the balance after it can tell.
_AFTER = ("line", "on_hand_after", "reserved_after", "in_transit_after")
_GIVEN = [field for field in Movement._meta.concrete_fields if field.name not in _AFTER]

#: Limits the wait of the statement it is part of: the setting is made while a row is found, before it is held.
_WAITS = " AND set_config('lock_timeout', %s, true) IS NOT NULL"
_BALANCE = f"""
UPDATE {Lot._meta.db_table} SET
    on_hand = on_hand + %s, reserved = reserved + %s, in_transit = in_transit + %s, lines = lines + 1
WHERE id = %s
    AND reserved + %s >= 0 AND on_hand + %s >= reserved + %s AND in_transit + %s >= 0
    AND (%s OR NOT is_quarantined){{waits}}
RETURNING lines, on_hand, reserved, in_transit
"""
_COLUMNS = ", ".join([*(str(field.column) for field in _GIVEN), *_AFTER])
_LINE = f"INSERT INTO {Movement._meta.db_table} ({_COLUMNS})"
_GIVEN_VALUES = ", ".join(["%s"] * len(_GIVEN))
_BOTH = f"""
WITH moved AS ({_BALANCE.format(waits=_WAITS)})
{_LINE} SELECT {_GIVEN_VALUES}, lines, on_hand, reserved, in_transit FROM moved RETURNING {", ".join(_AFTER)}
"""
_LINE_AFTER = f"{_LINE} VALUES ({_GIVEN_VALUES}, %s, %s, %s, %s)"

_LOT_COLUMNS = [field.attname for field in Lot._meta.concrete_fields]
#: NO KEY: a lot is held against changes of its balance, not against rows that merely name it.
_HOLD = f"""
SELECT {", ".join(str(field.column) for field in Lot._meta.concrete_fields)} FROM {Lot._meta.db_table}
WHERE {{which}}{_WAITS} ORDER BY id FOR NO KEY UPDATE
"""


def hold_of_items(branch_id: uuid.UUID, item_ids: Iterable[uuid.UUID]) -> list[Lot]:
    """The lots of the items at the branch that hold anything, by age, held until the transaction ends."""
    wanted = list(set(item_ids))
    if connection.vendor != "postgresql":
        return lock_rows(_lots().filter(branch=branch_id, item__in=wanted, on_hand__gt=0))
    return _held("branch_id = %s AND item_id = ANY(%s) AND on_hand > 0", branch_id, wanted)


def hold_by_key(lot_ids: Iterable[uuid.UUID]) -> list[Lot]:
    """Lots by age, held until the transaction ends."""
    wanted = list(set(lot_ids))
    if connection.vendor != "postgresql":
        return lock_rows(_lots().filter(id__in=wanted))
    return _held("id = ANY(%s)", wanted)


def _held(which: str, *values: Any) -> list[Lot]:
    with connection.cursor() as cursor:
        cursor.execute(_HOLD.format(which=which), [*values, _longest_wait()])
        return [Lot.from_db(connection.alias, _LOT_COLUMNS, row) for row in cursor.fetchall()]


def _lots() -> BranchQuerySet[Lot]:
    return Lot.objects.everywhere("of a use case that checked them")


def _longest_wait() -> str:
    return f"{settings.OPTICSHOP_LOCK_TIMEOUT_MS}ms"


def insert(row: models.Model) -> None:
    """Write a new row of a model that needs nothing but its columns written."""
    statement, fields = _insertion(type(row))
    with connection.cursor() as cursor:
        cursor.execute(statement, [field.get_db_prep_save(field.pre_save(row, True), connection) for field in fields])
    row._state.adding, row._state.db = False, connection.alias


@cache
def _insertion(model: type[models.Model]) -> tuple[str, list[models.Field]]:
    fields = list(model._meta.concrete_fields)
    columns, values = ", ".join(str(field.column) for field in fields), ", ".join(["%s"] * len(fields))
    return f"INSERT INTO {model._meta.db_table} ({columns}) VALUES ({values})", fields


def move(line: Movement, *, even_quarantined: bool) -> bool:
    """Change the balance of the line's lot and write the line, filling in its ``_after`` columns and its number.

    False, and nothing is written, when the lot cannot bear the change.
    """
    on_hand, reserved, in_transit = line.on_hand_change, line.reserved_change, line.in_transit_change
    lot_id = Lot._meta.pk.get_db_prep_value(line.lot_id, connection)
    balance = [on_hand, reserved, in_transit, lot_id, reserved, on_hand, reserved, in_transit, even_quarantined]
    given = [field.get_db_prep_save(getattr(line, field.attname), connection) for field in _GIVEN]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_BOTH, [*balance, _longest_wait(), *given])
            after = cursor.fetchone()
        else:
            cursor.execute(_BALANCE.format(waits=""), balance)
            after = cursor.fetchone()
            if after:
                cursor.execute(_LINE_AFTER, [*given, *after])
    if after is None:
        return False
    line.line, line.on_hand_after, line.reserved_after, line.in_transit_after = after
    line._state.adding = False
    line._state.db = connection.alias
    return True
