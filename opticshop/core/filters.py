"""Filters of lists that say so when they are asked for something they do not know."""

from __future__ import annotations

from typing import Any

import django_filters
from django import forms
from django.core.exceptions import ValidationError


class _YesNoField(forms.Field):
    WORDS = {"true": True, "false": False}

    def to_python(self, value: Any) -> bool | None:
        if value in self.empty_values:
            return None
        if str(value).lower() not in self.WORDS:
            raise ValidationError("Say true or false.", code="invalid")
        return self.WORDS[str(value).lower()]


class YesNoFilter(django_filters.BooleanFilter):
    """``true`` or ``false``; anything else is refused, where the library's own filter would show everything."""

    field_class = _YesNoField
