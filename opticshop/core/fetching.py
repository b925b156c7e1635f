"""What ``prefetch_related`` does, for the two relations that pages of ours are made of, in a fraction of the time.

Django makes a queryset for each row and relation only to put the rows that were fetched into it, and the SQL of each
relation anew for every page. Here a relation's statement is made once, with as many places as there are rows, and what
a row is given (``Fetched``) becomes a real queryset only when somebody goes on asking it. Whatever is not a plain path
of foreign keys, there or back, is left to Django.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db import models
from django.db.models.constants import LOOKUP_SEP
from django.db.models.query import prefetch_related_objects

from .prepared import Prepared, a_key_of_nobody

_Model = models.Model
#: Where Django keeps what was fetched for a row.
_PREFETCHED = "_prefetched_objects_cache"


def fetch_related(rows: Sequence[_Model], lookups: Iterable[Any], using: str) -> None:
    """As ``prefetch_related_objects(rows, *lookups)`` for rows of one model, read from ``using``. What is no row, as
    ``values_list`` gives it, is left alone, as Django leaves it."""
    if not rows or not isinstance(rows[0], models.Model):
        return
    for lookup in lookups:
        steps = _steps(type(rows[0]), lookup) if isinstance(lookup, str | Related) else None
        if steps is None:
            prefetch_related_objects(rows, lookup.own() if isinstance(lookup, Related) else _own(lookup))
            continue
        reached: Sequence[_Model] = rows
        for step in steps:
            reached = step.follow(reached, using)


def let_go(rows: Iterable[Any]) -> None:
    """What was fetched for the rows is cut off from them, who are not needed any more. A row and what points back at it
    hold each other: left to the collector of cycles, they cost as much again as to make them, and every so often
    everybody waits for it."""
    for row in rows:
        fetched = row.__dict__.pop(_PREFETCHED, None)
        if fetched:
            for found in fetched.values():
                let_go(found._result_cache or ())
        related = row._state.fields_cache
        if related:
            row._state.fields_cache = {}
            let_go([one for one in related.values() if one is not None and _PREFETCHED in one.__dict__])


def related(name: str, asked: Callable[[], models.QuerySet[Any]]) -> Any:
    """For ``prefetch_related``: the rows that point at a row, as the query says that ``asked`` makes. It is named once,
    at the top of a module, so that its statement is made once: ``related("steps", lambda: JobStep.objects.all())``."""
    kind: Any = Related  # the types of Django's Prefetch know no class below it
    return kind(name, asked)


class Related(models.Prefetch):  # type: ignore[type-arg]
    """What ``related`` gives; another of the same name is another one."""

    def __init__(self, name: str, asked: Callable[[], models.QuerySet[Any]]) -> None:
        super().__init__(name)
        self.asked = asked

    def __eq__(self, other: object) -> bool:
        return self is other

    def __hash__(self) -> int:
        return id(self)

    def own(self) -> models.Prefetch[Any]:
        """For Django's own prefetching."""
        return models.Prefetch(self.prefetch_through, self.asked())

    def get_current_querysets(self, level: int) -> list[models.QuerySet[Any]]:
        return [self.asked()]


def _own(lookup: Any) -> Any:
    """The lookup with a queryset of its own, since Django leaves a hint of the rows in it."""
    if getattr(lookup, "queryset", None) is None:
        return lookup
    own = copy.copy(lookup)
    own.queryset = lookup.queryset.all()
    return own


class Fetched(models.QuerySet[Any]):
    """The rows of one relation of one row. What narrows, orders or counts them in the database begins with the
    relation as Django makes it."""

    def __init__(self, owner: _Model, name: str, model: type[_Model], rows: list[Any], using: str) -> None:
        self._owner, self._name = owner, name
        super().__init__(model=model, query=_UNASKED, using=using)
        self._result_cache, self._prefetch_done = rows, True

    @property
    def _query(self) -> Any:
        return self._relation()._query

    @_query.setter
    def _query(self, query: Any) -> None:
        """The constructor's; there is none before it is asked for."""

    def _relation(self) -> Any:
        manager: Any = getattr(self._owner, self._name)
        return manager._apply_rel_filters(super(type(manager), manager).get_queryset())  # type: ignore[misc]

    def _clone(self) -> Any:
        return self._relation()._clone()

    def __reduce__(self) -> Any:
        return self._relation().__reduce__()


_UNASKED: Any = object()


# --- steps --------------------------------------------------------------------------------------------------------
class _There:
    """Along a foreign key: each row gets the one it points at."""

    def __init__(self, field: Any) -> None:
        self.field = field
        target = field.remote_field.model
        self.query: Prepared[Any] = Prepared(
            lambda keys: target._base_manager.filter(pk__in=keys),
            field=target._meta.pk,
            stand_in=a_key_of_nobody(target),
        )

    def follow(self, rows: Sequence[_Model], using: str) -> Sequence[_Model]:
        is_cached, key = self.field.is_cached, self.field.attname
        missing = [row for row in rows if not is_cached(row)]
        keys = {getattr(row, key) for row in missing} - {None}
        found = {each.pk: each for each in self.query.rows_of(keys, using)} if keys else {}
        for row in missing:
            self.field.set_cached_value(row, found.get(getattr(row, key)))
        reached = {id(each): each for row in rows if (each := self.field.get_cached_value(row)) is not None}
        return list(reached.values())


class _Back:
    """Back along a foreign key: each row gets all that point at it, in their own order."""

    def __init__(self, relation: Any, asked: Callable[[], models.QuerySet[Any]] | None = None) -> None:
        self.name, self.field, self.model = relation.get_accessor_name(), relation.field, relation.related_model
        self.relation, self.cache = relation, relation.cache_name
        self.query: Prepared[Any] = Prepared(
            lambda keys: (asked() if asked else self.model._default_manager.all()).filter(
                **{f"{self.field.attname}__in": keys}
            ),
            field=relation.model._meta.pk,
            stand_in=a_key_of_nobody(relation.model),
        )

    def follow(self, rows: Sequence[_Model], using: str) -> Sequence[_Model]:
        without = [row for row in rows if self.cache not in row.__dict__.get(_PREFETCHED, ())]
        owners = {row.pk: row for row in without}
        of_owner: dict[Any, list[Any]] = {}
        for each in self.query.rows_of(owners, using) if owners else ():
            owner = getattr(each, self.field.attname)
            self.field.set_cached_value(each, owners[owner])
            of_owner.setdefault(owner, []).append(each)
        for row in without:
            cache = row.__dict__.setdefault(_PREFETCHED, {})
            cache[self.cache] = Fetched(row, self.name, self.model, of_owner.get(row.pk, []), using)
        return [each for row in rows for each in row.__dict__[_PREFETCHED][self.cache]]


_known: dict[tuple[type[_Model], str | Related], list[Any] | None] = {}


def _steps(model: type[_Model], lookup: str | Related) -> list[Any] | None:
    if (model, lookup) not in _known:
        if isinstance(lookup, str):
            _known[model, lookup] = _steps_made(model, lookup)
        else:
            [step] = _steps_made(model, lookup.prefetch_through) or [None]
            _known[model, lookup] = [_Back(step.relation, lookup.asked)] if isinstance(step, _Back) else None
    return _known[model, lookup]


def _steps_made(model: type[_Model], path: str) -> list[Any] | None:
    steps: list[Any] = []
    for name in path.split(LOOKUP_SEP):
        try:
            found: Any = model._meta.get_field(name)
        except FieldDoesNotExist:
            found = next((each for each in model._meta.related_objects if each.get_accessor_name() == name), None)
        if found is None or getattr(found, "multiple_targets", False):
            return None
        if found.many_to_one and found.concrete and found.target_field.primary_key:
            steps.append(_There(found))
            model = found.remote_field.model
        elif found.one_to_many and found.auto_created and found.field.target_field.primary_key:
            steps.append(_Back(found))
            model = found.related_model
        else:
            return None
    return steps
