"""Between JSON and the pydantic shapes of a calculator: reading strictly, and saying what would have been allowed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Literal

from pydantic import BaseModel, ValidationError

from .errors import entry

#: Keywords of a JSON Schema that tell a person what a value may be.
_LIMITS = (
    "type",
    "unit",
    "minimum",
    "maximum",
    "exclusiveMinimum",
    "exclusiveMaximum",
    "multipleOf",
    "enum",
    "const",
    "minLength",
    "maxLength",
    "pattern",
    "minItems",
    "maxItems",
)


def read(model: type[BaseModel], body: Any) -> BaseModel:
    """The body as the model says, nothing converted that JSON tells apart ("1" is not 1). Raises ValidationError."""
    return model.model_validate_json(json.dumps(body), strict=True)


@lru_cache(maxsize=1024)
def schema_of(model: type[BaseModel], mode: Literal["validation", "serialization"] = "validation") -> dict[str, Any]:
    return model.model_json_schema(mode=mode)


def entries(model: type[BaseModel], body: Any, error: ValidationError) -> list[dict[str, Any]]:
    """One entry per fault: where it is, what is wrong, and what is allowed there."""
    found = []
    for fault in error.errors(include_url=False, include_context=False, include_input=False):
        path = _path_in(body, fault["loc"], is_missing=fault["type"] == "missing")
        found.append(entry(path, fault["msg"], fault["type"], _allowed(model, path, fault["type"])))
    return found


def _path_in(body: Any, location: Sequence[str | int], *, is_missing: bool) -> list[str | int]:
    """The steps that lead through the body; pydantic's own steps (the branch of a union) are dropped."""
    path: list[str | int] = []
    for position, step in enumerate(location):
        is_named = isinstance(body, Mapping) and step in body
        is_counted = isinstance(body, list) and isinstance(step, int) and step < len(body)
        if is_named or is_counted:
            body = body[step]
        elif not (is_missing and position == len(location) - 1):
            continue
        path.append(step)
    return path


def _allowed(model: type[BaseModel], path: Sequence[str | int], fault: str) -> Any:
    root = schema_of(model)
    if fault == "extra_forbidden":
        parent = _schema_at(root, path[:-1])
        return sorted(parent.get("properties", {})) if parent else None
    found = _schema_at(root, path)
    return {key: found[key] for key in _LIMITS if key in found} or None if found else None


def _schema_at(root: Mapping[str, Any], path: Sequence[str | int]) -> Mapping[str, Any] | None:
    """The part of a schema that speaks about the value at a path; None where it says nothing there."""
    here = _resolved(root, root)
    for step in path:
        inner = here.get("properties", {}).get(step) if isinstance(step, str) else here.get("items")
        if not isinstance(inner, Mapping):
            return None
        here = _resolved(root, inner)
    return here


def _resolved(root: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """Follows a reference, and takes the branch that is not null of an optional value."""
    for _ in range(8):
        if "$ref" in schema:
            name = str(schema["$ref"]).rsplit("/", 1)[-1]
            schema = {**root.get("$defs", {}).get(name, {}), **{k: v for k, v in schema.items() if k != "$ref"}}
        elif "anyOf" in schema:
            branches = [branch for branch in schema["anyOf"] if branch.get("type") != "null"]
            rest = {key: value for key, value in schema.items() if key != "anyOf"}
            schema = {**branches[0], **rest} if len(branches) == 1 else rest
        else:
            break
    return schema
