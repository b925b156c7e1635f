"""The SQL by which a view set finds one thing, or a page of its list, kept for whoever may see the same and asks alike.

A statement belongs to a view set, an action, the grants of the caller and the query. Of the query some values are new
each time, as keys are: the statement is made with a stand-in for each, and has the value put in its place. All others
belong to what a statement is kept by. Which they are says the view set (``kept_queries``); a query with anything else
in it, or with the cursor of a further page, goes the ordinary way.
"""

from __future__ import annotations

import datetime as dt
import re
import threading
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from django.core.exceptions import EmptyResultSet
from django.db import connections, models
from rest_framework.request import Request

from .fetching import fetch_related
from .prepared import Statement, statement_of, with_constants

#: Statements kept in a process, for each some hundred bytes: their SQL is shared by all of the same shape.
MOST_KEPT, MOST_SHARED = 16_384, 2_048
_kept: dict[Any, Kept | None] = {}
_shared: dict[Any, Statement] = {}
_changing = threading.Lock()
_KEY = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_PK = "pk"


class Slot:
    """A value in a query that is another one each time."""

    def stand_in(self, name: str) -> str:
        """As the query says it."""
        raise NotImplementedError

    def read(self, text: str) -> Any:
        """The value; None for a text that goes the ordinary way."""
        raise NotImplementedError

    def places(self, stand_in: str, values: Sequence[Any]) -> Iterable[int]:
        raise NotImplementedError

    def put(self, held: Any, stand_in: str, value: Any, connection: Any) -> Any:
        """What takes the place of ``held``, a value of the statement in which the stand-in was found."""
        raise NotImplementedError


class _Key(Slot):
    _field = models.UUIDField()

    def stand_in(self, name: str) -> str:
        return str(uuid.uuid5(uuid.NAMESPACE_OID, name))

    def read(self, text: str) -> Any:
        return uuid.UUID(text) if _KEY.fullmatch(text) else None

    def places(self, stand_in: str, values: Sequence[Any]) -> Iterable[int]:
        key = uuid.UUID(stand_in)
        return [place for place, each in enumerate(values) if each == key or each == key.hex]

    def put(self, held: Any, stand_in: str, value: Any, connection: Any) -> Any:
        return self._field.get_db_prep_value(value, connection)


class Word(Slot):
    """One word of letters and digits, as ``folded`` makes it and not too long; it may stand within a pattern."""

    def __init__(self, folded: Callable[[str], str], longest: int) -> None:
        self._folded, self._longest = folded, longest

    def stand_in(self, name: str) -> str:
        return f"qz{name}zq"

    def read(self, text: str) -> Any:
        words = self._folded(text).split() if text.isprintable() else []
        return words[0] if len(words) == 1 and words[0].isalnum() and len(words[0]) <= self._longest else None

    def places(self, stand_in: str, values: Sequence[Any]) -> Iterable[int]:
        return [place for place, each in enumerate(values) if isinstance(each, str) and stand_in in each]

    def put(self, held: Any, stand_in: str, value: Any, connection: Any) -> Any:
        return held.replace(stand_in, value)


A_KEY: Slot = _Key()
#: A value that belongs to what a statement is kept by: one of a few.
AS_SAID = None
Queries = Mapping[str, Slot | None]


@dataclass(frozen=True, slots=True)
class Kept:
    statement: Statement
    values: tuple[Any, ...]
    #: Place among the values, name in the query.
    places: tuple[tuple[int, str], ...]
    lookups: tuple[Any, ...]
    #: Kept with it, so that no others get their place in memory and with it the mark of this statement.
    grants: Any

    def rows(self, slots: Queries, asked: Mapping[str, Any]) -> list[Any]:
        connection: Any = connections["default"]
        values = list(self.values)
        for place, name in self.places:
            slot = slots[name]
            assert slot is not None
            values[place] = slot.put(values[place], slot.stand_in(name), asked[name], connection)
        found = self.statement.read(connection, self.statement.sql, values)
        fetch_related(found, self.lookups, "default")
        return found


# --- one thing ----------------------------------------------------------------------------------------------------
_ONE: Queries = {_PK: A_KEY}


def one(view: Any, text: str) -> tuple[Any, bool]:
    """The thing with that key among those of the view, or None; and whether it could be looked for in this way."""
    grants, key = view.actor.grants, A_KEY.read(text)
    if type(grants) is not MappingProxyType or view.request.query_params or key is None:
        return None, False
    mark = (type(view), view.action, view.request.method, id(grants))

    def made() -> Any:
        return view.get_queryset().order_by().filter(pk=A_KEY.stand_in(_PK))

    kept = _found(mark, made, _ONE, [_PK], grants)
    if kept is None:
        return None, False
    found = kept.rows(_ONE, {_PK: key})
    return (found[0] if found else None), True


# --- anything else ------------------------------------------------------------------------------------------------
def rows_of(
    mark: Any, asked: Callable[[Mapping[str, Any]], Any], told: Mapping[str, Any], *, stand_ins: Mapping[str, Any]
) -> list[Any]:
    """The rows of ``asked(told)``, by the SQL that was made of the stand-ins of what is told. What else the query hangs
    on is in ``mark``. The values are text, days and keys, compared as they are."""
    slots = {name: _As(stand_ins[name]) for name in told}
    kept = _found((mark, *told), lambda: asked({name: stand_ins[name] for name in told}), slots, list(told), None)
    if kept is None:
        return list(asked(told))
    return kept.rows(slots, told)


class _As(Slot):
    """A value that the query compares with as it is."""

    def __init__(self, value: Any) -> None:
        self._value = value

    def stand_in(self, name: str) -> str:
        return name

    def read(self, text: str) -> Any:
        return text

    def places(self, stand_in: str, values: Sequence[Any]) -> Iterable[int]:
        own = self._prepared(self._value, connections["default"])
        return [place for place, each in enumerate(values) if each == own]

    def put(self, held: Any, stand_in: str, value: Any, connection: Any) -> Any:
        return self._prepared(value, connection)

    def _prepared(self, value: Any, connection: Any) -> Any:
        if isinstance(value, uuid.UUID):
            return models.UUIDField().get_db_prep_value(value, connection)
        return models.DateField().get_db_prep_value(value, connection) if isinstance(value, dt.date) else value


# --- a list -------------------------------------------------------------------------------------------------------
class Pages:
    """What is left of a list for the paginator: it orders and cuts it."""

    def __init__(self, view: Any, mark: Any, asked: Mapping[str, Any], ordering: tuple[str, ...] = ()) -> None:
        self._view, self._mark, self._asked, self._ordering = view, mark, asked, ordering

    def order_by(self, *ordering: str) -> Pages:
        return Pages(self._view, self._mark, self._asked, ordering)

    def __getitem__(self, cut: slice) -> Sequence[Any]:
        view, grants, slots = self._view, self._view.actor.grants, self._view.kept_queries

        def made() -> Any:
            view.filter_queryset(view.get_queryset())  # says what is wrong with the query, if anything
            stands_in = view.request.query_params.copy()
            for name in self._asked:
                stands_in[name] = slots[name].stand_in(name)
            [filters] = view.filter_backends
            return filters().narrowed(view, view.get_queryset(), stands_in).order_by(*self._ordering)[cut]

        mark = (*self._mark, self._ordering, cut.start, cut.stop)
        kept = _found(mark, made, slots, list(self._asked), grants)
        if kept is None:
            rows: Sequence[Any] = view.filter_queryset(view.get_queryset()).order_by(*self._ordering)[cut]
            return rows
        return kept.rows(slots, self._asked)


def pages(view: Any, request: Request) -> Pages | None:
    """The view's list; None where it has to go the ordinary way."""
    slots: Queries | None = view.kept_queries
    if slots is None or type(view.actor.grants) is not MappingProxyType:
        return None
    asked: dict[str, Any] = {}
    said = []
    for name, texts in request.query_params.lists():
        if name not in slots and name != view.paginator.page_size_query_param:
            return None
        slot = slots.get(name)
        value = slot.read(texts[0]) if slot is not None and len(texts) == 1 else None
        if value is not None:
            asked[name] = value
        elif slot is not None:
            return None
        else:
            said.append((name, *texts))
    return Pages(view, (type(view), view.action, id(view.actor.grants), *sorted(said), *sorted(asked)), asked)


# --- statements ---------------------------------------------------------------------------------------------------
def _found(mark: Any, queryset: Callable[[], Any], slots: Queries, names: Sequence[str], grants: Any) -> Kept | None:
    """None for a query whose SQL cannot be kept."""
    vendor = connections["default"].vendor
    try:
        return _kept[vendor, mark]
    except KeyError:
        kept = _made(queryset(), slots, names, grants)
    with _changing:
        _kept[vendor, mark] = kept
        while len(_kept) > MOST_KEPT:
            del _kept[next(iter(_kept))]
    return kept


def _made(rows: Any, slots: Queries, names: Sequence[str], grants: Any) -> Kept | None:
    lookups = rows._prefetch_related_lookups
    bare = rows._chain()  # a slice takes no more calls
    bare._prefetch_related_lookups = ()
    try:
        statement, values = statement_of(bare.using("default"))
    except (ValueError, EmptyResultSet):
        return None
    places = []
    for name in names:
        slot = slots[name]
        assert slot is not None
        here = [(place, name) for place in slot.places(slot.stand_in(name), values)]
        if not here:
            return None
        places += here
    if len({place for place, _ in places}) != len(places):
        return None  # two of them in one value
    statement, values, moved = with_constants(statement, values, {place for place, _ in places}, connections["default"])
    places = [(moved[place], name) for place, name in places]
    alike = (connections["default"].vendor, rows.model, rows._iterable_class, statement.sql)
    with _changing:
        statement = _shared.setdefault(alike, statement)
        while len(_shared) > MOST_SHARED:
            del _shared[next(iter(_shared))]
    return Kept(statement, values, tuple(places), lookups, grants)
