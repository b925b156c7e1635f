"""A value that fits a schema of the OpenAPI document: for JSON columns, whose shape the document states."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tests.whole_document import document

_FORMATS = {
    "decimal": "1.00",
    "date": "2026-03-02",
    "date-time": "2026-03-02T11:00:00Z",
    "uuid": "019c0000-0000-7000-9000-00000000ffff",
}
#: Properties whose values must agree with one another.
_NAMED = {
    "currency": "GBP",
    "tax": "0.00",
    "tax_total": "0.00",
    "tax_rate_percent": "0.00",
    "rate_percent": "0.00",
    "tax_category": "zero",
    "category": "zero",
    "points_mm": [[20, 0], [0, 15], [-20, 0], [0, -15]],
}


def sample(name: str, mark: str) -> Any:
    """A value of the component of that name; free texts carry the mark."""
    return _of(document()["components"]["schemas"][name], mark)


def _of(schema: Mapping[str, Any], mark: str) -> Any:
    if "$ref" in schema:
        return sample(schema["$ref"].rsplit("/", 1)[1], mark)
    for several in ("allOf", "oneOf", "anyOf"):
        if several in schema:
            return _of(next(each for each in schema[several] if each.get("type") != "null"), mark)
    if "enum" in schema:
        return schema["enum"][0]
    kind = schema.get("type", "object")
    if isinstance(kind, list):
        kind = next(each for each in kind if each != "null")
    if kind == "object":
        more = schema.get("additionalProperties")
        found = {name: _named(name, inner) or _of(inner, mark) for name, inner in schema.get("properties", {}).items()}
        return found or ({"right": _of(more, mark)} if isinstance(more, Mapping) and more else {})
    if kind == "array":
        return [_of(schema["items"], mark)] * max(1, schema.get("minItems", 1))
    if kind in {"integer", "number"}:
        return max(1, schema.get("minimum", 1))
    if kind == "boolean":
        return False
    return _FORMATS.get(schema.get("format", ""), mark)


def _named(name: str, schema: Mapping[str, Any]) -> Any:
    is_plain = schema.get("type") in ("string", "array") or name.endswith("category")
    return _NAMED.get(name) if is_plain else None
