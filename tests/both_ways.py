"""Every answer made twice: as ``core.showing`` makes it, and as the serializers of the framework do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import orjson
import pytest
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer

from opticshop.core import showing
from opticshop.core.renderers import dumps

Kind = type[serializers.BaseSerializer[Any]]


def compare_both_ways(monkeypatch: pytest.MonkeyPatch) -> list[Kind]:
    """From now on an answer that the fast way makes otherwise is an AssertionError; gives the shapes as they come."""
    shown, all_shown, seen = showing.shown, showing.all_shown, list[Kind]()

    def shown_twice(kind: Kind, row: Any, context: Mapping[str, Any] | None = None) -> Any:
        found = shown(kind, row, context)
        _same(kind, found, kind(row, context=dict(context or {})).data)
        seen.append(kind)
        return found

    def all_shown_twice(kind: Kind, rows: Iterable[Any], context: Mapping[str, Any] | None = None) -> list[Any]:
        kept = list(rows)
        found = all_shown(kind, kept, context)
        _same(kind, found, kind(kept, many=True, context=dict(context or {})).data)
        seen.append(kind)
        return found

    monkeypatch.setattr(showing, "shown", shown_twice)
    monkeypatch.setattr(showing, "all_shown", all_shown_twice)
    return seen


def _same(kind: Kind, found: Any, by_framework: Any) -> None:
    ours, theirs = dumps(found), JSONRenderer().render(by_framework)
    # Numbers may be written otherwise (1e-7 and 1e-07); the order of the names may not.
    assert ours == theirs or _pairs(ours) == _pairs(theirs), f"{kind.__name__}: {ours!r} is not {theirs!r}"


def _pairs(text: bytes) -> Any:
    def ordered(value: Any) -> Any:
        if isinstance(value, dict):
            return [(name, ordered(each)) for name, each in value.items()]
        return [ordered(each) for each in value] if isinstance(value, list) else value

    return ordered(orjson.loads(text))
