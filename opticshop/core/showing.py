"""The fast way from rows to what the API shows, made from the same serializers.

Django REST framework makes every field of a serializer anew for each request and asks each of them, row by row, what
it is. ``shown`` does that once for a pair of serializer class and type of row: of each field there is left a getter and
a maker, both plain functions. The document of the API, validation and writes go on using the serializers themselves.

What comes out is what ``Serializer(row).data`` gives once it is written as JSON: UUIDs, days and moments in UTC are
left as they are for ``core.renderers.JsonRenderer``, which writes them as the framework would. A field whose way of
showing is not known here, or whose value is not of the ordinary kind, is shown by the field itself;
``tests/core/test_core_showing.py`` compares both ways for each kind, ``pytest --both-ways`` for every answer.
"""

from __future__ import annotations

import datetime as dt
import decimal
import inspect
import uuid
from collections.abc import Callable, Iterable, Mapping
from operator import attrgetter, itemgetter
from types import FunctionType
from typing import Any, cast

from django.core.exceptions import FieldDoesNotExist, ObjectDoesNotExist
from django.db import models
from django.db.models import Model
from django.db.models.manager import BaseManager
from rest_framework import ISO_8601, fields, relations, serializers
from rest_framework.settings import api_settings

from .prepared import is_column_only

Get = Callable[[Any], Any]
Make = Callable[[Any, "Showing"], Any]
_ABSENT = object()
_AS_FRAMEWORK = (serializers.Serializer.to_representation, serializers.ModelSerializer.to_representation)


class Showing:
    """One answer: the context that serializers are given, and a serializer for what only the field itself can do."""

    def __init__(self, context: Mapping[str, Any] | None = None) -> None:
        self.context = dict(context or {})
        self._serializers: dict[type, Any] = {}

    def serializer(self, kind: type[serializers.BaseSerializer[Any]]) -> Any:
        found = self._serializers.get(kind)
        if found is None:
            found = self._serializers[kind] = kind(context=self.context)
        return found


def shown(kind: type[serializers.BaseSerializer[Any]], row: Any, context: Mapping[str, Any] | None = None) -> Any:
    """What ``kind(row, context=context).data`` gives, with plain values where JSON has none."""
    showing = Showing(context)
    return _shower(kind)(row, showing)


def all_shown(
    kind: type[serializers.BaseSerializer[Any]], rows: Iterable[Any], context: Mapping[str, Any] | None = None
) -> list[Any]:
    """What ``kind(rows, many=True, context=context).data`` gives, with plain values where JSON has none."""
    showing, show = Showing(context), _shower(kind)
    return [show(row, showing) for row in rows]


# --- of one serializer class --------------------------------------------------------------------------------------
_showers: dict[type, Make] = {}


def _shower(kind: type[serializers.BaseSerializer[Any]]) -> Make:
    found = _showers.get(kind)
    if found is None:
        found = _showers[kind] = _made(kind)
    return found


def _made(kind: type[serializers.BaseSerializer[Any]]) -> Make:
    if not issubclass(kind, serializers.Serializer) or kind.to_representation not in _AS_FRAMEWORK:
        return lambda row, showing: showing.serializer(kind).to_representation(row)
    plans: dict[type, _Plan] = {}

    def show(row: Any, showing: Showing) -> dict[str, Any]:
        plan = plans.get(type(row))
        if plan is None:
            plan = plans[type(row)] = _Plan([_step(kind, field, type(row)) for field in kind()._readable_fields])
        body = plan.template.copy()
        if plan.columns is not None:
            try:
                body.update(zip(plan.in_columns, plan.columns(row.__dict__), strict=True))
            except KeyError:  # one of them was not read
                return _field_by_field(plan.steps, row, showing)
        for name, get, make, missing, by_field in plan.others:
            try:
                value = get(row)
            except (AttributeError, KeyError):
                value = missing(row, showing)
            except (TypeError, ObjectDoesNotExist):
                value = by_field(row, showing)
            else:
                body[name] = value if make is None or value is None else make(value, showing)
                continue
            if value is _ABSENT:
                del body[name]
            else:
                body[name] = value
        return body

    return show


_Step = tuple[str, Get, Make | None, Make, Make]


class _Plan:
    """Of the steps those whose value stands in a column, and is shown as it stands there, are taken at once."""

    def __init__(self, steps: list[_Step]) -> None:
        self.steps = steps
        taken = {name: get.column for name, get, make, *_ in steps if make is None and isinstance(get, _Column)}
        # One column alone is no tuple.
        self.in_columns = tuple(taken) if len(taken) > 1 else ()
        self.columns = itemgetter(*taken.values()) if self.in_columns else None
        self.others = [step for step in steps if step[0] not in self.in_columns]
        self.template: dict[str, Any] = dict.fromkeys(name for name, *_ in steps)


def _field_by_field(steps: list[_Step], row: Any, showing: Showing) -> dict[str, Any]:
    found = {name: by_field(row, showing) for name, *_, by_field in steps}
    return {name: value for name, value in found.items() if value is not _ABSENT}


class _Column:
    """A getter of what was read of a column; a column that was not is read when it is asked for."""

    def __init__(self, column: str) -> None:
        self.column, self._get = column, attrgetter(column)

    def __call__(self, row: Any) -> Any:
        return self._get(row)


def _step(kind: type[serializers.BaseSerializer[Any]], field: Any, row_type: type) -> _Step:
    """Name in the answer; what gets the value and what makes it plain; what is shown where the way to the value ends
    early; and the framework's own way."""
    name = field.field_name

    def by_field(row: Any, showing: Showing) -> Any:
        """As the framework does it, field by field: absent values, defaults, whatever else."""
        own = showing.serializer(kind).fields[name]
        try:
            value = own.get_attribute(row)
        except fields.SkipField:
            return _ABSENT
        plain = value.pk if isinstance(value, relations.PKOnlyObject) else value
        return None if plain is None else own.to_representation(value)

    get, make = _getter_and_maker(kind, field, row_type) or (_left_to_the_field, None)
    missing: Make = by_field
    if get is not _left_to_the_field and (field.default is fields.empty or field.default is None):
        if field.allow_null or field.default is None:
            missing = _null
        elif not field.required:
            missing = _absent
    return name, get, make, missing, by_field


def _null(row: Any, showing: Showing) -> Any:
    return None


def _absent(row: Any, showing: Showing) -> Any:
    return _ABSENT


def _getter_and_maker(
    kind: type[serializers.BaseSerializer[Any]], field: Any, row_type: type
) -> tuple[Get, Make | None] | None:
    if isinstance(field, serializers.SerializerMethodField):
        if type(field).to_representation is not serializers.SerializerMethodField.to_representation:
            return None
        method = field.method_name
        return _itself, lambda row, showing: getattr(showing.serializer(kind), method)(row)
    if type(field).get_attribute is not fields.Field.get_attribute and not isinstance(
        field, relations.PrimaryKeyRelatedField | relations.ManyRelatedField
    ):
        return None
    if isinstance(field, relations.PrimaryKeyRelatedField):
        get = _key_getter(field, row_type)
        return None if get is None else (get, None)
    if isinstance(field, relations.ManyRelatedField):
        if type(field.child_relation) is not relations.PrimaryKeyRelatedField or len(field.source_attrs) != 1:
            return None
        get = _getter(field, row_type)
        return None if get is None else (get, lambda many, showing: [each.pk for each in _rows(many)])
    get, make = _getter(field, row_type), _maker(field)
    if get is None or make is _unknown:
        return None
    return get, None if isinstance(get, _Column) and _is_shown_as_it_stands(field, row_type, get.column) else make


def _left_to_the_field(row: Any) -> Any:
    """A getter that fails, so that the field itself is asked."""
    raise KeyError


# --- getters ------------------------------------------------------------------------------------------------------
def _itself(row: Any) -> Any:
    return row


def _getter(field: Any, row_type: type) -> Get | None:
    """What ``Field.get_attribute`` finds; None where it would call something."""
    path = field.source_attrs
    if not path:
        return _itself
    if issubclass(row_type, Mapping):
        return itemgetter(path[0]) if len(path) == 1 else None
    method = getattr(row_type, path[0], None)
    if isinstance(method, FunctionType):
        return _called(path[0]) if len(path) == 1 and _asks_for_nothing(method) else None
    if len(path) > 1:
        found = attrgetter(".".join(path))
        return lambda row: _never_called(found(row))
    if issubclass(row_type, Model) and _is_many(row_type, path[0]):
        return _prefetched(path[0])
    return _column(row_type, path[0]) or attrgetter(path[0])


def _column(row_type: type, name: str) -> Get | None:
    """For a model whose class says nothing of its own about the name of a column."""
    return _Column(name) if issubclass(row_type, Model) and is_column_only(row_type, name) else None


def _asks_for_nothing(method: FunctionType) -> bool:
    _, *others = inspect.signature(method).parameters.values()
    return all(each.kind in (each.VAR_POSITIONAL, each.VAR_KEYWORD) or each.default != each.empty for each in others)


def _called(name: str) -> Get:
    def get(row: Any) -> Any:
        method = getattr(row, name)
        try:
            return method()
        except (AttributeError, KeyError) as error:  # not the end of the way to the value
            raise ValueError(f"{type(row).__name__}.{name}: {error!r}") from error

    return get


def _never_called(value: Any) -> Any:
    if callable(value) and not isinstance(value, BaseManager):
        raise TypeError  # the field itself knows whether to call it
    return value


def _is_shown_as_it_stands(field: Any, model: Any, column: str) -> bool:
    """Whether what such a column holds, or was given for it, is written as JSON just as the field would show it."""
    kind = next((each for each in model._meta.concrete_fields if each.attname == column), None)
    if type(field).to_representation is fields.ChoiceField.to_representation:
        words = field.choice_strings_to_values
        return isinstance(kind, models.CharField) and all(type(each) is str for each in words.values())
    return isinstance(kind, _STANDS.get(type(field).to_representation, ()))


_STANDS: dict[Any, tuple[type, ...]] = {
    fields.CharField.to_representation: (models.CharField, models.TextField),
    fields.IntegerField.to_representation: (models.IntegerField,),
    fields.BooleanField.to_representation: (models.BooleanField,),
    fields.UUIDField.to_representation: (models.UUIDField,),
}


def _is_many(model: type[Model], name: str) -> bool:
    try:
        found = model._meta.get_field(name)
    except FieldDoesNotExist:
        return False
    return bool(found.one_to_many or found.many_to_many)


def _prefetched(name: str) -> Get:
    """The rows of a relation that were fetched beforehand, without a manager made for it."""

    def get(row: Any) -> Any:
        fetched = row.__dict__.get("_prefetched_objects_cache")
        rows = fetched.get(name) if fetched else None
        return getattr(row, name) if rows is None else rows

    return get


def _key_getter(field: Any, row_type: type) -> Get | None:
    """The key of a related row, from the column that holds it."""
    if type(field) is not relations.PrimaryKeyRelatedField or field.pk_field is not None or len(field.source_attrs) > 1:
        return None
    name = field.source_attrs[0]
    if issubclass(row_type, Mapping) or not issubclass(row_type, Model):
        found = _getter(field, row_type)
        return None if found is None else lambda row: getattr(found(row), "pk", None)
    try:
        column: Any = row_type._meta.get_field(name)
    except FieldDoesNotExist:
        return None
    if not column.concrete or not column.is_relation or column.target_field.model._meta.pk != column.target_field:
        return None
    return _column(row_type, column.attname) or attrgetter(column.attname)


# --- makers -------------------------------------------------------------------------------------------------------
def _unknown(value: Any, showing: Showing) -> Any:
    raise NotImplementedError


def _maker(field: Any) -> Make | None:
    """What makes the value of a field plain; None: it is already; ``_unknown``: only the field itself knows."""
    if isinstance(field, serializers.ListSerializer):
        if type(field).to_representation is not serializers.ListSerializer.to_representation:
            return _unknown
        return _many(_shower(type(cast(Any, field.child))))
    if isinstance(field, serializers.BaseSerializer):
        return _shower(type(field))
    make = _MAKERS.get(type(field).to_representation, _missing)
    return _unknown if make is _missing else make(field)


def _many(show: Make) -> Make:
    return lambda rows, showing: [show(row, showing) for row in _rows(rows)]


def _rows(many: Any) -> Iterable[Any]:
    rows: Iterable[Any] = many.all() if isinstance(many, BaseManager) else many
    return rows


def _missing(field: Any) -> Make | None:
    return _unknown


def _text(field: Any) -> Make:
    return lambda value, showing: value if type(value) is str else str(value)


def _whole(field: Any) -> Make:
    return lambda value, showing: value if type(value) is int else int(value)


def _long(field: Any) -> Make | None:
    return _unknown if getattr(field, "coerce_to_string", api_settings.COERCE_BIGINT_TO_STRING) else _whole(field)


def _number(field: Any) -> Make:
    return lambda value, showing: float(value)


def _yes_or_no(field: Any) -> Make:
    def make(value: Any, showing: Showing) -> Any:
        return value if value is True or value is False else field.to_representation(value)

    return make


def _uuid(field: Any) -> Make | None:
    if field.uuid_format != "hex_verbose":
        return _unknown

    def make(value: Any, showing: Showing) -> Any:
        return value if type(value) is uuid.UUID else str(value)

    return make


def _moment(field: Any) -> Make | None:
    if getattr(field, "format", api_settings.DATETIME_FORMAT) != ISO_8601:
        return _unknown

    def make(value: Any, showing: Showing) -> Any:
        if type(value) is dt.datetime and value.tzinfo is dt.UTC:
            return value
        return field.to_representation(value)

    return make


def _day(field: Any) -> Make | None:
    if getattr(field, "format", api_settings.DATE_FORMAT) != ISO_8601:
        return _unknown
    return lambda value, showing: value if type(value) is dt.date else field.to_representation(value)


def _decimal(field: Any) -> Make | None:
    if not getattr(field, "coerce_to_string", api_settings.COERCE_DECIMAL_TO_STRING):
        return _unknown
    if field.localize or field.normalize_output or field.decimal_places is None:
        return _unknown
    step, rounding = decimal.Decimal(1).scaleb(-field.decimal_places), field.rounding
    context = decimal.Context(prec=field.max_digits if field.max_digits is not None else decimal.getcontext().prec)

    point, places = -1 - field.decimal_places, -field.decimal_places

    def make(value: Any, showing: Showing) -> Any:
        text = str(value)
        if type(value) is not decimal.Decimal:
            value = decimal.Decimal(text.strip())
        elif places and text[point:places] == "." and "E" not in text:
            return text  # as many places as the field has
        return format(value.quantize(step, rounding, context), "f")

    return make


def _choice(field: Any) -> Make:
    words = dict(field.choice_strings_to_values)

    def make(value: Any, showing: Showing) -> Any:
        return words.get(value, value) if type(value) is str else field.to_representation(value)

    return make


def _as_it_is(field: Any) -> Make | None:
    return None


def _json(field: Any) -> Make | None:
    return _unknown if field.binary else None


def _list(field: Any) -> Make | None:
    make = _maker(field.child)
    if make is _unknown:
        return _unknown
    if make is None:
        return lambda values, showing: list(values)
    return lambda values, showing: [None if each is None else make(each, showing) for each in values]


def _dict(field: Any) -> Make | None:
    make = _maker(field.child)
    if make is _unknown:
        return _unknown
    if make is None:
        return lambda values, showing: {str(name): each for name, each in values.items()}
    return lambda values, showing: {
        str(name): None if each is None else make(each, showing) for name, each in values.items()
    }


_MAKERS: dict[Any, Callable[[Any], Make | None]] = {
    fields.CharField.to_representation: _text,
    fields.IntegerField.to_representation: _whole,
    fields.BigIntegerField.to_representation: _long,
    fields.FloatField.to_representation: _number,
    fields.BooleanField.to_representation: _yes_or_no,
    fields.UUIDField.to_representation: _uuid,
    fields.DateTimeField.to_representation: _moment,
    fields.DateField.to_representation: _day,
    fields.DecimalField.to_representation: _decimal,
    fields.ChoiceField.to_representation: _choice,
    fields._UnvalidatedField.to_representation: _as_it_is,
    fields.JSONField.to_representation: _json,
    fields.ListField.to_representation: _list,
    fields.DictField.to_representation: _dict,
}
