"""Fields in the OpenAPI document as they are really shown: times of the wall clock, and texts that may be empty."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import FieldDoesNotExist
from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from rest_framework import serializers

_EMPTY = {"type": "string", "maxLength": 0}


class WallTime(OpenApiSerializerFieldExtension):
    """A time of the branch's own clock. ``time`` of JSON Schema (RFC 3339, full-time) has a zone; ours has none."""

    target_class = serializers.TimeField
    match_subclasses = True

    def map_serializer_field(self, auto_schema: Any, direction: str) -> dict[str, Any]:
        return {
            "type": "string",
            "format": "time-local",
            "pattern": r"^([01]\d|2[0-3]):[0-5]\d(:[0-5]\d(\.\d{1,6})?)?$",
        }


def let_be_empty(field: serializers.Field) -> None:
    """A choice that is only shown is empty where its column may be: the serializer alone forgets that."""
    if isinstance(field, serializers.ChoiceField) and field.read_only and _column_may_be_empty(field):
        field.allow_blank = True


def or_empty(field: serializers.Field, schema: Any) -> Any:
    """An address that may be empty is no address then; any JSON may be null anyhow."""
    if isinstance(schema, dict) and schema.get("oneOf") == [{}, {"type": "null"}]:
        return {name: value for name, value in schema.items() if name != "oneOf"}
    if not isinstance(schema, dict) or schema.get("format") not in {"email", "uri"}:
        return schema
    if not getattr(field, "allow_blank", False) and not (field.read_only and _column_may_be_empty(field)):
        return schema
    return {"anyOf": [schema, _EMPTY]}


def _column_may_be_empty(field: serializers.Field) -> bool:
    model = getattr(getattr(field.parent, "Meta", None), "model", None)
    for name in (field.source or field.field_name or "").split("."):
        try:
            column = model._meta.get_field(name) if model is not None else None
        except FieldDoesNotExist:
            return False
        if column is None:
            return False
        model = column.related_model if column.is_relation else None
    return bool(getattr(column, "blank", False))
