"""The fast way to an answer gives what the serializers of Django REST framework give, which is the reference here.

Whole answers of the service are compared where ``--both-ways`` is given; here each kind of field.
"""

from __future__ import annotations

import datetime as dt
import decimal
import json
import uuid
from decimal import Decimal
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer

from opticshop.core.renderers import JsonRenderer, dumps
from opticshop.core.showing import all_shown, shown


class _Inner(serializers.Serializer[Any]):
    word = serializers.CharField()
    amount = serializers.DecimalField(6, 2, allow_null=True)
    left_out = serializers.IntegerField(required=False)


class _Outer(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    at = serializers.DateTimeField(allow_null=True)
    day = serializers.DateField(allow_null=True)
    clock = serializers.TimeField(allow_null=True)
    whole = serializers.IntegerField(allow_null=True)
    long = serializers.BigIntegerField()
    number = serializers.FloatField(allow_null=True)
    yes = serializers.BooleanField()
    choice = serializers.ChoiceField([("a", "A"), ("b", "B")], allow_blank=True)
    words = serializers.ListField(child=serializers.CharField())
    table = serializers.DictField(child=serializers.DecimalField(8, 1))
    anything = serializers.JSONField()
    method = serializers.SerializerMethodField()
    name_of_inner = serializers.CharField(source="inner.word", allow_null=True, default=None)
    inner = _Inner(allow_null=True)
    many = _Inner(many=True)
    secret = serializers.CharField(write_only=True)

    def get_method(self, row: Any) -> str:
        return f"{self.context.get('told', 'nothing')} of {row.whole}"


_money = st.decimals(-9999, 9999, places=2, allow_nan=False)
_texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
_zones = st.sampled_from([dt.UTC, ZoneInfo("UTC"), ZoneInfo("Europe/London"), dt.timezone(dt.timedelta(hours=3))])
_inner = st.fixed_dictionaries(
    {"word": _texts, "amount": st.none() | _money | st.just(Decimal("1E+2")) | st.sampled_from(["2.5", "0", 3])},
    optional={"left_out": st.integers(-5, 5)},
)
_outer = st.fixed_dictionaries(
    {
        "id": st.uuids() | st.uuids().map(str),
        "at": st.none() | st.datetimes(timezones=_zones),
        "day": st.none() | st.dates(),
        "clock": st.none() | st.times(),
        "whole": st.none() | st.integers(-(10**9), 10**9) | st.booleans(),
        "long": st.integers(-(2**80), 2**80),
        "number": st.none() | st.floats(allow_nan=False, allow_infinity=False) | st.integers(-9, 9),
        "yes": st.booleans() | st.sampled_from(["true", "0", 1, 0]),
        "choice": st.sampled_from(["a", "b", "", "unknown"]),
        "words": st.lists(_texts | st.none(), max_size=3),
        "table": st.dictionaries(_texts, st.integers(0, 99).map(Decimal), max_size=3),
        "anything": st.recursive(
            st.none() | st.booleans() | _texts, lambda each: st.lists(each, max_size=2), max_leaves=4
        ),
        "inner": st.none() | _inner.map(lambda facts: SimpleNamespace(**facts)),
        "many": st.lists(_inner, max_size=3),
        "secret": st.just("not told"),
    }
)


@given(_outer, st.booleans())
def test_every_kind_of_field_is_shown_as_by_the_framework(facts: dict[str, Any], are_dicts: bool) -> None:
    """Rows are dicts or objects."""
    row: Any = {**facts, "inner": facts["inner"] and vars(facts["inner"])} if are_dicts else SimpleNamespace(**facts)
    if are_dicts:
        row = type("Row", (dict,), {"__getattr__": dict.__getitem__})(row)
    context = {"told": "something"}
    expected = JSONRenderer().render(_Outer(row, context=context).data)
    assert _read(dumps(shown(_Outer, row, context))) == _read(expected)
    assert _read(dumps(all_shown(_Outer, [row, row], context))) == [_read(expected)] * 2


def test_a_power_with_too_many_digits_is_refused_as_by_the_framework() -> None:
    row = {"word": "", "amount": Decimal("12345678.5")}
    for make in (lambda: _Inner(row).data, lambda: shown(_Inner, row)):
        with pytest.raises(decimal.InvalidOperation):
            make()


def test_a_name_that_a_row_lacks_is_an_error_as_by_the_framework() -> None:
    for make in (lambda: _Inner({"amount": None}).data, lambda: shown(_Inner, {"amount": None})):
        with pytest.raises(KeyError, match="word"):
            make()


def test_what_the_quick_renderer_does_not_take_goes_to_that_of_the_framework() -> None:
    renderer = JsonRenderer()
    assert renderer.render({"n": 2**70, "s": "a\u2028b"}) == b'{"n":1180591620717411303424,"s":"a\\u2028b"}'
    assert renderer.render({"a": 1}, "application/json; indent=2") == b'{\n  "a": 1\n}'
    assert renderer.render(None) == b""
    assert renderer.render({"at": dt.datetime(2026, 3, 2, 12, tzinfo=dt.UTC), "id": uuid.UUID(int=1)}) == (
        b'{"at":"2026-03-02T12:00:00Z","id":"00000000-0000-0000-0000-000000000001"}'
    )


def _read(text: bytes) -> Any:
    return json.loads(text, object_pairs_hook=list)


class _Row:
    def __init__(self, inner: Any) -> None:
        self.inner = inner

    def label(self) -> str:
        return "told by a method"

    def broken(self) -> str:
        return self.nothing_of_the_kind  # type: ignore[attr-defined,no-any-return]

    def wants(self, more: int) -> str:
        return f"{more}"


class _Ways(serializers.Serializer[Any]):
    label = serializers.CharField()
    by_default = serializers.CharField(source="inner.word", default="nobody")
    null = serializers.CharField(source="inner.word", allow_null=True)
    absent = serializers.CharField(source="inner.word", read_only=True)


@pytest.mark.parametrize("inner", [None, SimpleNamespace(word="w"), SimpleNamespace(word=None), SimpleNamespace()])
def test_a_way_that_ends_early_is_shown_as_by_the_framework(inner: Any) -> None:
    row = _Row(inner)
    assert shown(_Ways, row) == _Ways(row).data
    assert list(shown(_Ways, row)) == list(_Ways(row).data)


def test_a_method_that_fails_is_an_error_as_by_the_framework() -> None:
    kind = type("Kind", (serializers.Serializer,), {"broken": serializers.CharField(allow_null=True)})
    for make in (lambda: kind(_Row(None)).data, lambda: shown(kind, _Row(None))):
        with pytest.raises(ValueError, match="nothing_of_the_kind"):
            make()


def test_a_method_that_wants_something_is_shown_as_by_the_framework() -> None:
    kind = type("Kind", (serializers.Serializer,), {"wants": serializers.CharField(allow_null=True)})
    made = (lambda: kind(_Row(None)).data["wants"], lambda: shown(kind, _Row(None))["wants"])
    first, second = (make().partition(" at ")[0] for make in made)
    assert first == second


@pytest.mark.django_db
def test_a_row_with_a_column_that_was_not_read_is_shown_whole(mill: Any) -> None:
    from opticshop.branches.models import Branch
    from opticshop.branches.serializers import BranchOut

    whole, deferred = Branch.objects.get(id=mill.id), Branch.objects.defer("name").get(id=mill.id)
    expected = _read(JSONRenderer().render(BranchOut(whole).data))
    assert _read(dumps(shown(BranchOut, deferred))) == _read(dumps(shown(BranchOut, whole))) == expected


@given(st.decimals(-(10**7), 10**7, places=4, allow_nan=False), st.integers(0, 4))
def test_decimals_are_written_as_by_the_framework(value: Decimal, places: int) -> None:
    field = serializers.DecimalField(16, places)
    kind = type("Kind", (serializers.Serializer,), {"amount": field})
    for each in (value, value.normalize(), value.quantize(Decimal(1).scaleb(-places)), -value * 0):
        assert shown(kind, {"amount": each}) == kind({"amount": each}).data
