"""A query that is asked with every request: Django makes its SQL once, and after that only the value is new.

Making the SQL of a query over five tables costs Django some ten times as long as PostgreSQL takes to answer it.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Generic, TypeVar

from django.db import connections, models
from django.db.models.query import (  # type: ignore[attr-defined]
    ModelIterable,
    ValuesListIterable,
    get_related_populators,
)

Row = TypeVar("Row")
_SHAPES: tuple[Any, ...] = (ModelIterable, ValuesListIterable)


#: Fewer than the values that any database takes in one statement.
MOST_TOGETHER = 500


@dataclass(frozen=True, slots=True)
class _Statement:
    sql: str
    values: tuple[Any, ...]
    place: int
    converters: Sequence[tuple[int, Any, Any]]
    make: Callable[[Sequence[Any]], Any]


class Prepared(Generic[Row]):
    """``asked(value)`` gives the query; ``field`` is what the value is compared with, ``stand_in`` one that cannot
    occur otherwise in it. Rows come as instances, with what ``select_related`` names, or as tuples of ``values_list``.

    Raises ValueError for a query that is made of anything else: annotations, prefetching, a value that stands twice.
    """

    def __init__(
        self, asked: Callable[[Any], models.QuerySet[Any, Row]], *, field: models.Field[Any, Any], stand_in: Any
    ) -> None:
        self._asked, self._field, self._stand_in = asked, field, stand_in
        self._statements: dict[tuple[str, str], _Statement] = {}

    def rows(self, value: Any, using: str = "default") -> list[Row]:
        """What ``list(asked(value))`` gives. One query."""
        connection: Any = connections[using]
        statement = self._statement(connection, using, self._stand_in)
        values = list(statement.values)
        values[statement.place] = self._field.get_db_prep_value(value, connection, prepared=False)
        return self._read(connection, using, statement, statement.sql, values)

    def rows_of(self, keys: Collection[Any], using: str = "default") -> list[Row]:
        """What ``list(asked(keys))`` gives, where the query compares with ``IN`` a list of values. One query for each
        ``MOST_TOGETHER`` keys; their order is that of the query within each."""
        connection: Any = connections[using]
        statement = self._statement(connection, using, [self._stand_in])
        found: list[Row] = []
        for some in batched(keys, MOST_TOGETHER):
            named = [self._field.get_db_prep_value(each, connection, prepared=False) for each in some]
            before, after = statement.values[: statement.place], statement.values[statement.place + 1 :]
            places = "IN (" + ", ".join(["%s"] * len(named)) + ")"
            sql = statement.sql.replace("IN (%s)", places, 1)
            found += self._read(connection, using, statement, sql, [*before, *named, *after])
        return found

    def _statement(self, connection: Any, using: str, stand_in: Any) -> _Statement:
        statement = self._statements.get((using, connection.vendor))
        if statement is None:
            statement = self._statements[using, connection.vendor] = self._made(using, stand_in)
        return statement

    def _read(self, connection: Any, using: str, statement: _Statement, sql: str, values: list[Any]) -> list[Row]:
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
            found = [list(row) for row in cursor.fetchall()]
        for row in found:
            for place, convert, expression in statement.converters:
                row[place] = convert(row[place], expression, connection)
        return [statement.make(row) for row in found]

    def _made(self, using: str, asked_for: Any) -> _Statement:
        queryset: Any = self._asked(asked_for).using(using)
        if queryset._iterable_class not in _SHAPES:
            raise ValueError("a prepared query gives instances or tuples")
        if queryset.query.annotation_select or queryset._prefetch_related_lookups:
            raise ValueError("a prepared query has neither annotations nor prefetching")
        compiler = queryset.query.get_compiler(using=using)
        sql, values = compiler.as_sql()
        stand_in = self._field.get_db_prep_value(self._stand_in, connections[using], prepared=False)
        places = [place for place, each in enumerate(values) if each == stand_in]
        if len(places) != 1:
            raise ValueError("the value stands once in a prepared query")
        if isinstance(asked_for, list) and sql.count("IN (%s)") != 1:
            raise ValueError("a prepared query compares a list of values once, by IN")
        converters = [
            (place, convert, expression)
            for place, (found, expression) in compiler.get_converters([each[0] for each in compiler.select]).items()
            for convert in found
        ]
        return _Statement(sql, tuple(values), places[0], converters, _maker(queryset, compiler, using))


def _maker(queryset: Any, compiler: Any, using: str) -> Callable[[Sequence[Any]], Any]:
    """What makes an instance, or a tuple, of the values of a row: as ``ModelIterable`` of Django does it."""
    if queryset._iterable_class is ValuesListIterable:
        wide = len(compiler.select)
        return lambda row: tuple(row[:wide])  # what is read only to be ordered by stands behind
    about, select = compiler.klass_info, compiler.select
    first, last = about["select_fields"][0], about["select_fields"][-1] + 1
    names = [each[0].target.attname for each in select[first:last]]
    populators = get_related_populators(about, select, using)  # type: ignore[call-arg]

    def make(row: Sequence[Any]) -> Any:
        instance = about["model"].from_db(using, names, row[first:last])
        for populator in populators:
            populator.populate(row, instance)
        return instance

    return make


def batched(values: Collection[Any], size: int) -> Iterator[list[Any]]:
    waiting = iter(values)
    while some := list(islice(waiting, size)):
        yield some


def a_key_of_nobody(model: type[models.Model]) -> Any:
    """A key that no row of the model has: the greatest UUID, or a number far below the first."""
    return uuid.UUID(int=2**128 - 1) if isinstance(model._meta.pk, models.UUIDField) else -(2**62)
