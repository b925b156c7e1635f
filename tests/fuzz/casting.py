"""Lets a generated request name rows that are there: with keys made up by chance everything would be 404."""

from __future__ import annotations

import random
from typing import Any

from schemathesis.core import NOT_SET
from schemathesis.core.parameters import ParameterLocation

from tests.access.operations import Operation
from tests.access.walking import BRANCH, NAMES, Walk, _swapped


def recast(case: Any, operation: Operation, walk: Walk, chance: random.Random) -> None:
    """Put rows of one's own branch in the place of most keys; what was malformed on purpose stays so."""
    malformed = {place for place in ParameterLocation if _is_malformed(case, place)}
    if operation.places and ParameterLocation.PATH not in malformed and chance.random() < 0.9:
        rows = walk.places(operation, "mill")
        case.path_parameters = {name: key if isinstance(key, int) else str(key) for name, key in rows.items()}
    if ParameterLocation.QUERY not in malformed and case.query:
        case.query = {
            name: _known(walk, name, value, chance) if isinstance(value, str) else value
            for name, value in case.query.items()
        }
    if "If-Match" in case.headers and ParameterLocation.HEADER not in malformed and chance.random() < 0.9:
        case.headers["If-Match"] = '"1"'
    if case.body is not NOT_SET and isinstance(case.body, dict | list):
        case.body = _body(case.body, operation, walk, chance, is_malformed=ParameterLocation.BODY in malformed)


def _is_malformed(case: Any, place: ParameterLocation) -> bool:
    return case.meta is not None and bool(case.meta.is_negative_at(place))


def _known(walk: Walk, name: str, value: str, chance: random.Random) -> str:
    return _swapped(value, lambda _, key: _row(walk, name, key, chance), name)


def _body(body: Any, operation: Operation, walk: Walk, chance: random.Random, *, is_malformed: bool) -> Any:
    """Well-formed: half of the time the example of the document with some of the generated fields in it."""
    example = operation.body[1]
    if isinstance(body, dict) and isinstance(example, dict) and not is_malformed and chance.random() < 0.5:
        kept = {name: value for name, value in body.items() if chance.random() < 0.4}
        body = {**example, **kept}
    return _swapped(body, lambda name, key: _row(walk, name, key, chance))


def _row(walk: Walk, name: str, key: str, chance: random.Random) -> str:
    if chance.random() < 0.1:
        return key
    side = "mill" if chance.random() < 0.9 else "quay"
    return str(walk.row(NAMES.get(name, BRANCH), side).pk)
