"""The statement that moves a balance and writes its line: plain SQL, because it is the busiest one there is.

The condition and the sums are tried by the database on the newest row. On PostgreSQL balance and line are one
statement; SQLite, where a transaction has the file for itself, writes them one after the other.
"""

from __future__ import annotations

from django.db import connection

from .models import Lot, Movement

#: Columns of the line that only the balance after it can tell.
_AFTER = ("line", "on_hand_after", "reserved_after", "in_transit_after")
_GIVEN = [field for field in Movement._meta.concrete_fields if field.name not in _AFTER]

_BALANCE = f"""
UPDATE {Lot._meta.db_table} SET
    on_hand = on_hand + %s, reserved = reserved + %s, in_transit = in_transit + %s, lines = lines + 1
WHERE id = %s
    AND reserved + %s >= 0 AND on_hand + %s >= reserved + %s AND in_transit + %s >= 0
    AND (%s OR NOT is_quarantined)
RETURNING lines, on_hand, reserved, in_transit
"""
_COLUMNS = ", ".join([*(str(field.column) for field in _GIVEN), *_AFTER])
_LINE = f"INSERT INTO {Movement._meta.db_table} ({_COLUMNS})"
_GIVEN_VALUES = ", ".join(["%s"] * len(_GIVEN))
_BOTH = f"""
WITH moved AS ({_BALANCE})
{_LINE} SELECT {_GIVEN_VALUES}, lines, on_hand, reserved, in_transit FROM moved RETURNING {", ".join(_AFTER)}
"""
_LINE_AFTER = f"{_LINE} VALUES ({_GIVEN_VALUES}, %s, %s, %s, %s)"


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
            cursor.execute(_BOTH, [*balance, *given])
            after = cursor.fetchone()
        else:
            cursor.execute(_BALANCE, balance)
            after = cursor.fetchone()
            if after:
                cursor.execute(_LINE_AFTER, [*given, *after])
    if after is None:
        return False
    line.line, line.on_hand_after, line.reserved_after, line.in_transit_after = after
    line._state.adding = False
    line._state.db = connection.alias
    return True
