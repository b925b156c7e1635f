"""A query that is asked with every request: Django makes its SQL once, and after that only the value is new.

Making the SQL of a query over five tables costs Django some ten times as long as PostgreSQL takes to answer it.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice
from typing import Any, Generic, TypeVar

import orjson
from django.db import connections, models
from django.db.models.base import ModelState
from django.db.models.fields.related_descriptors import ForeignKeyDeferredAttribute
from django.db.models.query import (  # type: ignore[attr-defined]
    ModelIterable,
    ValuesListIterable,
    get_related_populators,
)
from django.db.models.query_utils import DeferredAttribute
from django.db.models.signals import post_init, pre_init
from psycopg.sql import Literal

from . import reading

Row = TypeVar("Row")
_SHAPES: tuple[Any, ...] = (ModelIterable, ValuesListIterable)


#: Fewer than the values that any database takes in one statement.
MOST_TOGETHER = 500


@dataclass(frozen=True, slots=True)
class Statement:
    """The SQL of a query, and what makes instances, or tuples, of its rows."""

    sql: str
    converters: Sequence[tuple[int, Any, Any]]
    make: Callable[[Sequence[Sequence[Any]]], list[Any]]
    #: Whether PostgreSQL, too, is to keep it.
    prepares: bool

    def read(self, connection: Any, sql: str, values: Sequence[Any]) -> list[Any]:
        found = reading.rows(connection, sql, values, prepares=self.prepares)
        if self.converters:
            found = [list(row) for row in found]
            for place, convert, expression in self.converters:
                for row in found:
                    row[place] = convert(row[place], expression, connection)
        return self.make(found)


def statement_of(queryset: Any) -> tuple[Statement, tuple[Any, ...]]:
    """With the values that the query compares with.

    Raises ValueError for rows that are neither instances nor tuples of ``values_list``, and for prefetching, which
    is a matter of its own (``core.fetching``); EmptyResultSet for a query that finds nothing, whatever there is."""
    if queryset._iterable_class not in _SHAPES:
        raise ValueError("a prepared query gives instances or tuples")
    if queryset._prefetch_related_lookups:
        raise ValueError("a prepared query has no prefetching")
    compiler = queryset.query.get_compiler(using=queryset.db)
    sql, values = compiler.as_sql()
    converters = [
        (place, _as_fast(convert), expression)
        for place, (found, expression) in compiler.get_converters([each[0] for each in compiler.select]).items()
        for convert in found
    ]
    return Statement(sql, converters, _maker(queryset, compiler), reading.may_be_prepared(sql)), tuple(values)


def with_constants(
    statement: Statement, values: tuple[Any, ...], varying: Collection[int], connection: Any
) -> tuple[Statement, tuple[Any, ...], dict[int, int]]:
    """Words and numbers that are always the same are put into the SQL that PostgreSQL is to prepare: it plans for any
    value, and an index of the rows in some states is of use only if it knows which states are asked for. Also said is
    where those that vary stand then."""
    between = statement.sql.split("%s")
    if not statement.prepares or connection.vendor != "postgresql" or "%%" in statement.sql:
        return statement, values, {place: place for place in varying}
    sql, left, moved = between[0], list[Any](), dict[int, int]()
    for place, (value, behind) in enumerate(zip(values, between[1:], strict=True)):
        if place in varying or not isinstance(value, str | int):
            moved[place] = len(left)
            left.append(value)
            sql += "%s" + behind
        else:
            sql += Literal(value).as_string().replace("%", "%%") + behind
    return replace(statement, sql=sql), tuple(left), moved


def _as_fast(convert: Any) -> Any:
    is_json = getattr(convert, "__func__", None) is models.JSONField.from_db_value and convert.__self__.decoder is None
    return _json if is_json else convert


#: What might be a whole number of more than 64 bits, which orjson takes for a float.
_LONG = re.compile(r"\d{19}", re.ASCII)


def _json(value: Any, expression: Any, connection: Any) -> Any:
    """As ``JSONField.from_db_value`` reads a text."""
    if not isinstance(value, str):
        return value
    return json.loads(value) if _LONG.search(value) else orjson.loads(value)


class Prepared(Generic[Row]):
    """``asked(value)`` gives the query; ``field`` is what the value is compared with, ``stand_in`` one that cannot
    occur otherwise in it. Rows come as instances, with what ``select_related`` names, or as tuples of ``values_list``.

    Raises ValueError for a query that is made of anything else: annotations, prefetching, a value that stands twice.
    """

    def __init__(
        self, asked: Callable[[Any], models.QuerySet[Any, Row]], *, field: models.Field[Any, Any], stand_in: Any
    ) -> None:
        self._asked, self._field, self._stand_in = asked, field, stand_in
        self._made: dict[tuple[str, str], tuple[Statement, tuple[Any, ...], int]] = {}

    def rows(self, value: Any, using: str = "default") -> list[Row]:
        """What ``list(asked(value))`` gives. One query."""
        connection: Any = connections[using]
        statement, values, place = self._statement(connection, using, self._stand_in)
        given = self._field.get_db_prep_value(value, connection, prepared=False)
        return statement.read(connection, statement.sql, [*values[:place], given, *values[place + 1 :]])

    def rows_of(self, keys: Collection[Any], using: str = "default") -> list[Row]:
        """What ``list(asked(keys))`` gives, where the query compares with ``IN`` a list of values. One query for each
        ``MOST_TOGETHER`` keys; their order is that of the query within each."""
        connection: Any = connections[using]
        statement = self._statement(connection, using, [self._stand_in])[0]
        found: list[Row] = []
        for some in batched(keys, MOST_TOGETHER):
            found += statement.read(connection, *self.asking(some, using))
        return found

    def asking(self, keys: Collection[Any], using: str = "default") -> tuple[str, list[Any]]:
        """The SQL and the values of the query for some keys, at most ``MOST_TOGETHER``."""
        connection: Any = connections[using]
        statement, values, place = self._statement(connection, using, [self._stand_in])
        if connection.vendor == "postgresql" and isinstance(self._field, models.UUIDField):
            if len(keys) == 1:  # of a list the server does not know how long it is, and plans it anew each time
                return statement.sql.replace("IN (%s)", "= %s", 1), [*values[:place], *keys, *values[place + 1 :]]
            sql = statement.sql.replace("IN (%s)", "= ANY(%s::uuid[])", 1)
            return sql, [*values[:place], "{" + ",".join(map(str, keys)) + "}", *values[place + 1 :]]
        named = [self._field.get_db_prep_value(each, connection, prepared=False) for each in keys]
        sql = statement.sql.replace("IN (%s)", "IN (" + ", ".join(["%s"] * len(named)) + ")", 1)
        return sql, [*values[:place], *named, *values[place + 1 :]]

    def _statement(self, connection: Any, using: str, stand_in: Any) -> tuple[Statement, tuple[Any, ...], int]:
        made = self._made.get((using, connection.vendor))
        if made is None:
            made = self._made[using, connection.vendor] = self._make(connection, using, stand_in)
        return made

    def _make(self, connection: Any, using: str, asked_for: Any) -> tuple[Statement, tuple[Any, ...], int]:
        queryset: Any = self._asked(asked_for).using(using)
        if queryset.query.annotation_select:
            raise ValueError("a prepared query has no annotations")
        statement, values = statement_of(queryset)
        stand_in = self._field.get_db_prep_value(self._stand_in, connection, prepared=False)
        places = [place for place, each in enumerate(values) if each == stand_in]
        if len(places) != 1:
            raise ValueError("the value stands once in a prepared query")
        if isinstance(asked_for, list) and statement.sql.count("IN (%s)") != 1:
            raise ValueError("a prepared query compares a list of values once, by IN")
        statement, values, moved = with_constants(statement, values, places, connection)
        return statement, values, moved[places[0]]


def _maker(queryset: Any, compiler: Any) -> Callable[[Sequence[Sequence[Any]]], list[Any]]:
    """What makes instances, or tuples, of the values of rows: as ``ModelIterable`` of Django does it."""
    if queryset._iterable_class is ValuesListIterable:
        wide = len(compiler.select)
        return lambda rows: [tuple(row[:wide]) for row in rows]  # what is read only to be ordered by stands behind
    using, about, select = queryset.db, compiler.klass_info, compiler.select
    first, last = about["select_fields"][0], about["select_fields"][-1] + 1
    made = instances_of(about["model"], using, [each[0].target.attname for each in select[first:last]])
    related = [_attaching(each) for each in get_related_populators(about, select, using)]  # type: ignore[call-arg]
    annotated = tuple(compiler.annotation_col_map.items())

    def make(rows: Sequence[Sequence[Any]]) -> list[Any]:
        found, seen = [], [dict[Any, Any]() for _ in related]
        for row in rows:
            instance = made(row[first:last])
            for attach, here in zip(related, seen, strict=True):
                attach(row, instance, here)
            for name, place in annotated:
                setattr(instance, name, row[place])
            found.append(instance)
        return found

    return make


def _attaching(populator: Any) -> Callable[[Sequence[Any], Any, dict[Any, Any]], None]:
    """What gives an instance the row that a foreign key of it points at. Rows that point at the same one get the same
    instance, as with ``prefetch_related``: it is kept in the dictionary by its key."""
    if populator.reorder_for_init:
        return lambda row, instance, seen: populator.populate(row, instance)
    made = instances_of(populator.model_cls, populator.db, populator.init_list)
    further = [_attaching(each) for each in populator.related_populators]
    first, last, key = populator.cols_start, populator.cols_end, populator.cols_start + populator.pk_idx
    name, remote = populator.local_setter.__self__.cache_name, populator.remote_setter
    is_shared = getattr(remote, "__self__", None) is None  # nothing points back from it

    def attach(row: Sequence[Any], instance: Any, seen: dict[Any, Any]) -> None:
        pk = row[key]
        found = seen.get(pk) if is_shared and pk is not None else None
        if found is None and pk is not None:
            found = made(row[first:last])
            for each in further:
                each(row, found, seen.setdefault(each, {}))
            if is_shared:
                seen[pk] = found
            else:
                remote(found, instance)
        instance._state.fields_cache[name] = found

    return attach


def instances_of(model: type[models.Model], using: str, names: Sequence[str]) -> Callable[[Sequence[Any]], Any]:
    """What makes an instance of the values of the columns, as ``Model.from_db`` does, without the constructor where
    that does nothing but set them: it weighs every column anew and takes ten times as long."""
    if not sets_columns_only(model):
        return lambda values: model.from_db(using, names, values)
    return partial(row_of_columns, model, using, tuple(names))


def row_of_columns(
    model: type[models.Model], using: str | None, names: Collection[str], values: Collection[Any]
) -> Any:
    """A row as it was read, for a model that ``sets_columns_only``."""
    instance: Any = model.__new__(model)
    state = ModelState()
    state.db, state.adding = using, False
    instance.__dict__.update(zip(names, values, strict=True), _state=state)
    return instance


@cache
def sets_columns_only(model: type[models.Model]) -> bool:
    """Whether a row may be made without its constructor: neither the class, a column nor a signal has a say in it."""
    own = vars(models.Model)
    return (
        model.__init__ is models.Model.__init__
        and getattr(model, "made_of_columns", model.from_db.__func__ is own["from_db"].__func__)  # type: ignore[attr-defined]
        and all(is_column_only(model, each.attname) for each in model._meta.concrete_fields)
        and not any(signal.has_listeners(model) for signal in (pre_init, post_init))
    )


def is_column_only(model: type[models.Model], name: str) -> bool:
    """Whether what stands under the name in the class is what Django puts there for a column."""
    return type(next((vars(each)[name] for each in model.__mro__ if name in vars(each)), None)) in _SETS_ONLY


_SETS_ONLY = (DeferredAttribute, ForeignKeyDeferredAttribute)


def batched(values: Collection[Any], size: int) -> Iterator[list[Any]]:
    waiting = iter(values)
    while some := list(islice(waiting, size)):
        yield some


def a_key_of_nobody(model: type[models.Model]) -> Any:
    """A key that no row of the model has: the greatest UUID, or a number far below the first."""
    return uuid.UUID(int=2**128 - 1) if isinstance(model._meta.pk, models.UUIDField) else -(2**62)
