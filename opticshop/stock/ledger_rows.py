"""The statements behind every movement, in plain SQL because they are the busiest there are.

Conditions and sums are tried by the database on the newest row. On PostgreSQL lots are held in one statement, and
balance, line and promise are written in one; SQLite, where a transaction has the file for itself, does one after the
other.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from typing import Any

from django.conf import settings
from django.db import connection, models

from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet

from .models import Lot, Movement, Reservation

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
_LINE_AFTER = f"{_LINE} VALUES ({_GIVEN_VALUES}, %s, %s, %s, %s)"
_PROMISE = Reservation._meta.concrete_fields
_PROMISE_COLUMNS, _PROMISE_VALUES = (
    ", ".join(parts) for parts in ([str(field.column) for field in _PROMISE], ["%s"] * len(_PROMISE))
)
_PROMISED = f"INSERT INTO {Reservation._meta.db_table} ({_PROMISE_COLUMNS}) SELECT {_PROMISE_VALUES}"
_MOVED = f"WITH moved AS ({_BALANCE.format(waits=_WAITS)})"
_LINE_OF_MOVED = (
    f"{_LINE} SELECT {_GIVEN_VALUES}, lines, on_hand, reserved, in_transit FROM moved RETURNING {', '.join(_AFTER)}"
)
_BOTH = f"{_MOVED} {_LINE_OF_MOVED}"
_ALL = f"{_MOVED}, promised AS ({_PROMISED} FROM moved) {_LINE_OF_MOVED}"

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


def move(line: Movement, *, even_quarantined: bool, promise: Reservation | None = None) -> bool:
    """Change the balance of the line's lot and write the line, filling in its ``_after`` columns and its number.

    A ``promise`` that the line makes is written with it. False, and nothing is written, when the lot cannot bear the
    change.
    """
    on_hand, reserved, in_transit = line.on_hand_change, line.reserved_change, line.in_transit_change
    lot_id = Lot._meta.pk.get_db_prep_value(line.lot_id, connection)
    balance = [on_hand, reserved, in_transit, lot_id, reserved, on_hand, reserved, in_transit, even_quarantined]
    given = _values(line, _GIVEN)
    promised = _values(promise, _PROMISE) if promise else []
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_ALL if promise else _BOTH, [*balance, _longest_wait(), *promised, *given])
            after = cursor.fetchone()
        else:
            cursor.execute(_BALANCE.format(waits=""), balance)
            after = cursor.fetchone()
            if after:
                cursor.execute(_LINE_AFTER, [*given, *after])
            if after and promise:
                cursor.execute(_PROMISED, promised)
    if after is None:
        return False
    line.line, line.on_hand_after, line.reserved_after, line.in_transit_after = after
    for row in filter(None, (line, promise)):
        row._state.adding, row._state.db = False, connection.alias
    return True


def _values(row: models.Model, fields: Sequence[models.Field]) -> list[Any]:
    return [field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields]
