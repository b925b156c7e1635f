"""A view set that keeps the SQL by which one thing is found finds what it would find without."""

from __future__ import annotations

import uuid
from types import MappingProxyType, SimpleNamespace

import pytest

from opticshop.config import urls  # noqa: F401  (all view sets are made)
from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.api import ApiViewSet
from tests.conftest import NOON


def _all_of(kind):
    for each in kind.__subclasses__():
        yield each
        yield from _all_of(each)


PREPARED = sorted({each for each in _all_of(ApiViewSet) if each.prepared}, key=lambda each: each.__name__)
MILL, QUAY = uuid.UUID(int=1), uuid.UUID(int=2)


def _query(kind, action, actor):
    view = kind()
    view.action, view.kwargs = action, {}
    view.request = SimpleNamespace(method="GET", query_params={}, _actor=actor)
    rows = view.get_queryset()
    assert not rows.query.annotation_select, "a prepared query has no annotations"
    return rows.prefetch_related(None).query.sql_with_params(), [_told(each) for each in rows._prefetch_related_lookups]


def _told(lookup):
    if isinstance(lookup, str):
        return lookup
    [rows] = lookup.get_current_querysets(0)
    return lookup.prefetch_through, rows.query.sql_with_params()


@pytest.mark.parametrize("kind", PREPARED, ids=lambda each: each.__name__)
def test_the_sql_hangs_on_nothing_but_what_the_actor_may_see(kind):
    for where in (ALL, frozenset({MILL}), frozenset({MILL, QUAY})):
        grants = MappingProxyType(dict.fromkeys(kind.permissions.values(), where))
        one = Actor(id=uuid.uuid4(), label="one", kind="person", grants=grants)
        another = Actor(id=uuid.uuid4(), label="another", kind="service", grants=grants)
        with clock.at(NOON):
            first = _query(kind, "retrieve", one)
        assert first == _query(kind, "retrieve", another)


def test_some_are_prepared():
    assert {"OrderViewSet", "CustomerViewSet"} <= {each.__name__ for each in PREPARED}


@pytest.mark.django_db
def test_who_may_see_less_finds_less_in_the_kept_statement(api, clerk, outsider, head_office, customer_of_mill):
    url = f"/api/v1/customers/{customer_of_mill.id}/"
    for _ in range(2):
        assert [api(each).get(url).status_code for each in (clerk, outsider, head_office)] == [200, 404, 200]


@pytest.mark.django_db
def test_no_more_statements_are_kept_than_said(api, clerk, customer_of_mill, monkeypatch):
    from opticshop.core import api as core_api

    monkeypatch.setattr(core_api, "MOST_PREPARED", 2)
    monkeypatch.setattr(core_api, "_prepared", {})
    for number in range(4):
        core_api._prepared["of another", number] = (None, (), None, None)
    assert api(clerk).get(f"/api/v1/customers/{customer_of_mill.id}/").status_code == 200
    assert len(core_api._prepared) == 2


@pytest.fixture
def customer_of_mill(mill):
    from tests.factories import CustomerFactory

    return CustomerFactory(branch=mill)
