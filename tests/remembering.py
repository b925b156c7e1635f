"""A costly state of the database is built once by the services and put back row by row for every further test.

The states stand on one another: ``world``, ``order``, ``bench``, ``glazed``, ``ready``. Put back is only what the test
asks for, and only where all other fixtures of the test are known to leave the building alone or stand on top of it: a
plugin, a setting or a branch of its own means that the state is built anew. The standing cast has fixed keys, so that
what is put back refers to it. A module may name fixtures of its own that are harmless: ``LEAVES_THE_STATE_ALONE``.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.apps import apps
from django.db import connection

STAGES = ("world", "order", "bench", "glazed", "ready")
#: The cast that takes part in the building, by the stage that first needs it.
CAST = {"world": ("mill",), "order": ("clerk",), "bench": ("hand",)}
CAST_TABLES = {"accounts_user", "accounts_membership", "branches_branch"}
#: Fixtures that change nothing that a later state is built from.
HARMLESS = frozenset({
    "actor_of", "api", "bookkeeper", "clerk", "db", "hand", "head_office", "manager", "mill", "monkeypatch", "outsider",
    "quay", "queries", "request", "settings", "steady_clock", "tmp_path", "tmp_path_factory",
})  # fmt: skip
Rows = list[tuple[str, list[str], list[tuple[Any, ...]]]]
_kept: dict[str, tuple[Rows, bytes]] = {}
_PLACE = pytest.StashKey["_Building"]()


@dataclass
class _Building:
    """How one test comes by its state: ``found`` holds the values that were kept, None where it is built."""

    top: str | None
    found: dict[str, Any] | None = None
    made: dict[str, Any] = field(default_factory=dict)


def staged(request: pytest.FixtureRequest, name: str, build: Callable[[], Any]) -> Any:
    """The value of the stage ``name``: put back with its rows, or built."""
    if _PLACE not in request.node.stash:
        request.node.stash[_PLACE] = _begin(request)
    building = request.node.stash[_PLACE]
    if building.found is not None:
        return building.found[name]
    building.made[name] = build()
    if name == building.top:
        _keep(request, building)
    return building.made[name]


def _begin(request: pytest.FixtureRequest) -> _Building:
    top = _furthest(request)
    if top not in _kept:
        return _Building(top)
    for stage in STAGES[: STAGES.index(top) + 1]:
        for name in CAST.get(stage, ()):
            request.getfixturevalue(name)
    rows, values = _kept[top]
    with connection.cursor() as cursor:
        for table, columns, found in rows:
            cursor.executemany(_insert(table, columns), found)
    return _Building(top, _Reader(io.BytesIO(values), request.getfixturevalue("mill")).load())


def _keep(request: pytest.FixtureRequest, building: _Building) -> None:
    rows: Rows = []
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            table = model._meta.db_table
            if not model.__module__.startswith("opticshop.") or table in CAST_TABLES:
                continue
            columns = [column.column for column in model._meta.concrete_fields]
            cursor.execute(_select(table, columns))
            if found := cursor.fetchall():
                rows.append((table, columns, found))
    written = io.BytesIO()
    _Writer(written, request.getfixturevalue("mill")).dump(building.made)
    _kept[building.top or ""] = rows, written.getvalue()


def _furthest(request: pytest.FixtureRequest) -> str | None:
    """The furthest stage that the test asks for, None where it may not be remembered."""
    asked = set(request.fixturenames)
    top = next((name for name in reversed(STAGES) if name in asked), None)  # None: asked for by the test while it runs
    marker = request.node.get_closest_marker("django_db")
    if top is None or marker is None or marker.kwargs.get("transaction") or not _is_ours(request):
        return None
    given = set(getattr(getattr(request.node, "callspec", None), "params", ()))
    aside = set(getattr(request.module, "LEAVES_THE_STATE_ALONE", ()))
    others = {name for name in asked if not name.startswith(("django_", "_"))}
    others -= given | aside | HARMLESS | set(STAGES)
    return top if all(_stands_on(request, name, top) for name in others) else None


def _is_ours(request: pytest.FixtureRequest) -> bool:
    """A module may have an order or a bench of its own; those are not ours to remember."""
    return all(
        _definition(request, name).func.__module__.endswith("conftest")
        for name in STAGES
        if name in request.fixturenames
    )


def _stands_on(request: pytest.FixtureRequest, name: str, top: str) -> bool:
    """Whether a fixture is made after the state because it asks for it, by whatever way."""
    found = _definition(request, name)
    if found is None:
        return False
    return top in found.argnames or any(
        _stands_on(request, each, top) for each in found.argnames if each not in HARMLESS and each not in STAGES
    )


def _definition(request: pytest.FixtureRequest, name: str) -> Any:
    found = request._fixturemanager.getfixturedefs(name, request.node)  # type: ignore[attr-defined]
    return found[-1] if found else None


def _select(table: str, columns: list[str]) -> str:
    """The values as they are stored: text on PostgreSQL, past the converters on SQLite."""
    form = '"{}"::text' if connection.vendor == "postgresql" else '+"{}"'
    return f'SELECT {", ".join(form.format(column) for column in columns)} FROM "{table}"'


def _insert(table: str, columns: list[str]) -> str:
    names, marks = ", ".join(f'"{column}"' for column in columns), ", ".join(["%s"] * len(columns))
    return f'INSERT INTO "{table}" ({names}) VALUES ({marks}) ON CONFLICT DO NOTHING'


class _Writer(pickle.Pickler):
    """Writes the branch of the cast by name, so that the test's own stands in its place when it is read."""

    def __init__(self, file: io.BytesIO, mill: Any) -> None:
        super().__init__(file)
        self.mill = mill

    def persistent_id(self, obj: Any) -> str | None:
        return "mill" if obj is self.mill else None


class _Reader(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, mill: Any) -> None:
        super().__init__(file)
        self.mill = mill

    def persistent_load(self, pid: Any) -> Any:
        return self.mill
