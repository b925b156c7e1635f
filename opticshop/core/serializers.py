"""Shapes shared by all apps: the problem answer, strict fields, and a base that refuses unknown keys."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from rest_framework import serializers

#: How many unknown fields are named in one answer.
MOST_NAMED = 20
_PLAIN_DECIMAL = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")


class StrictSerializer(serializers.Serializer[Any]):
    """An input shape: an unknown key is an error, not a silent loss."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            unknown = sorted(set(map(str, data)) - set(self.fields))
            if unknown:
                words = [f"Unknown field; known are {', '.join(sorted(self.fields))}."]
                raise serializers.ValidationError({name[:100]: words for name in unknown[:MOST_NAMED]}, code="unknown")
            self._check_spelling(data)
        return super().to_internal_value(data)

    def _check_spelling(self, data: dict[Any, Any]) -> None:
        """Text as text, not as a number; decimals as the documentation writes them: no exponents, no underscores, no
        digits of other scripts."""
        odd = {
            name: ["Write text, in quotes."]
            for name, field in self.fields.items()
            if isinstance(field, serializers.CharField) and isinstance(data.get(name), int | float | Decimal)
        } | {
            name: ["Write the number in plain decimal digits, for instance -1.25."]
            for name, field in self.fields.items()
            if isinstance(field, serializers.DecimalField)
            and isinstance(data.get(name), str)
            and not _PLAIN_DECIMAL.fullmatch(data[name])
        }
        if odd:
            raise serializers.ValidationError(odd, code="not_plain")


class TextField(serializers.CharField):
    """Text without control characters (NUL would reach the database as an error)."""

    def to_internal_value(self, data: Any) -> str:
        text: str = super().to_internal_value(data)
        if any(ord(char) < 32 and char not in "\t\n\r" for char in text):
            raise serializers.ValidationError("Control characters are not accepted.", code="control_character")
        return text


class UnitDecimalField(serializers.DecimalField):
    """A decimal with a unit, said in the documentation."""

    def __init__(self, *, unit: str, max_digits: int = 6, decimal_places: int = 2, **kwargs: Any) -> None:
        self.unit = unit
        super().__init__(max_digits=max_digits, decimal_places=decimal_places, **kwargs)


class ProblemFieldOut(serializers.Serializer[Any]):
    pointer = serializers.CharField(help_text="Where in the request, as a JSON pointer fragment.")
    detail = serializers.CharField()
    code = serializers.CharField()
    allowed = serializers.JSONField(required=False, help_text="What would be right, where it can be said.")


class ProblemOut(serializers.Serializer[Any]):
    """RFC 9457 problem details."""

    type = serializers.CharField(help_text="Stable address of this kind of problem; it is documented there.")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    instance = serializers.CharField()
    code = serializers.CharField(help_text="Stable dotted code.")
    request_id = serializers.CharField()
    errors = ProblemFieldOut(many=True, required=False)  # type: ignore[assignment]
