"""Rows that nearly every write adds or changes: the event with its deliveries, the claim of a key and its answer.

Django makes the SQL anew for each of them, column by column; here it is made once for a model.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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
        # Of several rows PostgreSQL takes what it cannot tell for text.
        reading.execute(connection, before + ", ".join([places] * len(some)), values, prepares=len(some) == 1)
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


def updated(
    model: type[models.Model], where: Mapping[str, Any], changes: Mapping[str, Any], using: str = "default"
) -> int:
    """As ``filter(**where).update(**changes)``, for plain columns; None in ``where`` asks for what is NULL."""
    connection: Any = connections[using]
    asked = {name: value for name, value in where.items() if value is not None}
    sql, fields = _update(
        model, tuple(changes), tuple(asked), tuple(name for name in where if name not in asked), using
    )
    values = [
        field.get_db_prep_save(value, connection)
        for field, value in zip(fields, (*changes.values(), *asked.values()), strict=True)
    ]
    return reading.execute(connection, sql, values, prepares=True)


@cache
def _update(
    model: type[models.Model], changed: tuple[str, ...], asked: tuple[str, ...], empty: tuple[str, ...], using: str
) -> tuple[str, tuple[Any, ...]]:
    quoted = connections[using].ops.quote_name
    field: Any = model._meta.get_field

    def each(names: Iterable[str], behind: str) -> list[str]:
        return [f"{quoted(field(name).column)} {behind}" for name in names]

    sql = f"UPDATE {quoted(model._meta.db_table)} SET {', '.join(each(changed, '= %s'))}"
    sql += f" WHERE {' AND '.join([*each(asked, '= %s'), *each(empty, 'IS NULL')])}"
    return sql, tuple(map(field, (*changed, *asked)))
