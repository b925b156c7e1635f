"""Rows that nearly every write adds: the event with its deliveries, the claim of a key.

Django makes the SQL of an INSERT anew for each of them, column by column; here it is made once for a model.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any, TypeVar

from django.db import connections, models

from . import reading
from .prepared import batched

M = TypeVar("M", bound=models.Model)
#: Of the widest such table some twenty columns: within what SQLite takes in one statement.
_TOGETHER = 500


def inserted(rows: Iterable[M], using: str = "default") -> list[M]:
    """As ``bulk_create`` of rows of one model that bring their keys, whose columns all stand in one table and ask
    nothing of the database. No signals are sent. Within a transaction if there is more than one statement."""
    found = list(rows)
    if not found:
        return found
    connection: Any = connections[using]
    before, places, fields = _statement(type(found[0]), using)
    for some in batched(found, _TOGETHER):
        values = [field.get_db_prep_save(field.pre_save(row, True), connection) for row in some for field in fields]
        reading.execute(connection, before + ", ".join([places] * len(some)), values)
    for row in found:
        row._state.adding, row._state.db = False, using
    return found


@cache
def _statement(model: type[models.Model], using: str) -> tuple[str, str, tuple[Any, ...]]:
    quoted = connections[using].ops.quote_name
    fields = tuple(each for each in model._meta.concrete_fields if not each.generated)
    names = ", ".join(quoted(str(each.column)) for each in fields)
    return (
        f"INSERT INTO {quoted(model._meta.db_table)} ({names}) VALUES ",
        f"({', '.join(['%s'] * len(fields))})",
        fields,
    )
