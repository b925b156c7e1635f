"""A view set that keeps the SQL by which one thing is found finds what it would find without."""

from __future__ import annotations

import datetime as dt
import uuid
from types import MappingProxyType, SimpleNamespace

import pytest
from django.db import connection
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.test import APIRequestFactory

from opticshop.config import urls  # noqa: F401  (all view sets are made)
from opticshop.core import clock, kept, reading
from opticshop.core.actor import ALL, Actor
from opticshop.core.api import ApiViewSet
from opticshop.core.filters import KnownFilters
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
    monkeypatch.setattr(kept, "MOST_KEPT", 2)
    monkeypatch.setattr(kept, "_kept", {("of another", number): None for number in range(4)})
    assert api(clerk).get(f"/api/v1/customers/{customer_of_mill.id}/").status_code == 200
    assert len(kept._kept) == 2


# --- pages of lists -----------------------------------------------------------------------------------------------
LISTED = [each for each in PREPARED if each.kept_queries is not None]
#: What is said for a value that belongs to what a statement is kept by.
SAID = {"state": None, "kind": None, "available": "true", "ordering": "promised_on"}


def _value(kind, name):
    if kind.kept_queries[name] is not kept.AS_SAID:
        return "wren" if name == "name" else str(uuid.uuid4())
    said = SAID[name]
    return said or kind.filterset_class.base_filters[name].extra["choices"][0][0]


def _asked(kind):
    names = list(kind.kept_queries)
    yield from ({name: _value(kind, name)} for name in names)
    yield {name: _value(kind, name) for name in names}
    yield {}


def test_some_lists_are_kept():
    assert {"OrderViewSet", "JobViewSet", "CustomerViewSet"} <= {each.__name__ for each in LISTED}


@pytest.mark.parametrize("kind", LISTED, ids=lambda each: each.__name__)
def test_a_list_that_is_kept_is_filtered_by_nothing_but_its_filters(kind):
    assert kind.filter_backends == [KnownFilters], "else a kept list would leave out what they do"
    assert kind.filter_queryset is GenericAPIView.filter_queryset
    known = {*kind.filterset_class.base_filters, *getattr(kind, "further_queries", ())}
    assert set(kind.kept_queries) <= known


@pytest.mark.django_db
@pytest.mark.parametrize("kind", LISTED, ids=lambda each: each.__name__)
def test_the_kept_sql_of_a_list_is_that_of_the_ordinary_way(kind, monkeypatch):
    """Made with values that stand in, then asked with others: the statement and its values are those that the filters
    give, at two moments and for whoever may see the same."""
    asked = []
    monkeypatch.setattr(kept, "_kept", {})
    monkeypatch.setattr(
        reading, "rows", lambda connection, sql, values, prepares: asked.append((sql, tuple(values))) or []
    )
    [(prefix, _)] = [(prefix, view) for prefix, view in api_root_routes() if view is kind]
    for where in (ALL, frozenset({MILL})):
        grants = MappingProxyType(dict.fromkeys(kind.permissions.values(), where))
        for query in _asked(kind):
            for number, moment in enumerate((NOON, NOON + dt.timedelta(days=500))):
                other = {name: _value(kind, name) for name in query}
                actor = Actor(id=uuid.uuid4(), label=f"actor {number}", kind="person", grants=grants)
                view = _listing(kind, f"/api/v1/{prefix}/", other, actor)
                with clock.at(moment):
                    pages = kept.pages(view, view.request)
                    assert pages is not None
                    view.paginate_queryset(pages)
                    ordinary = _ordinary(view)
                assert _merged(*asked.pop()) == _merged(*ordinary), query
                assert not asked
    assert None not in kept._kept.values(), "a statement that could not be kept"


def _merged(sql, values):
    """With its values in it, as PostgreSQL is told: some stand in the kept SQL already."""
    if connection.vendor != "postgresql":
        return sql, values
    with connection.cursor() as cursor:
        return cursor.mogrify(sql, values)


def api_root_routes():
    from opticshop.config.api_root import router

    return [(prefix, view) for prefix, view, _ in router.registry]


def _listing(kind, path, query, actor):
    request = Request(APIRequestFactory().get(path, query))
    request._actor = actor
    view = kind()
    view.action, view.kwargs, view.request, view.detail = "list", {}, request, False
    return view


def _ordinary(view):
    rows = view.filter_queryset(view.get_queryset()).prefetch_related(None)
    ordering = view.paginator.get_ordering(view.request, rows, view)
    sql, values = rows.order_by(*ordering)[0 : view.paginator.page_size + 1].query.sql_with_params()
    return sql, tuple(values)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("branch=no-key", "branch"),
        ("state=nonsense", "state"),
        ("branches=1", "branches"),
        ("page_size=0", "page_size"),
    ],
)
def test_what_is_wrong_with_a_query_is_said_though_its_statement_is_kept(api, clerk, query, words):
    asked = api(clerk)
    for further in ("", "&state=ready" if "state" not in query else ""):
        assert asked.get("/api/v1/orders/?state=ready").status_code == 200
        answer = asked.get(f"/api/v1/orders/?{query}{further}")
        assert answer.status_code == 400
        assert words in answer.content.decode()


@pytest.mark.django_db
def test_a_page_after_the_first_and_a_second_value_go_the_ordinary_way(api, clerk, mill, quay):
    from tests.factories import CustomerFactory

    for _ in range(5):
        CustomerFactory(branch=mill, family_name="Wrenfield", given_name="A")
    asked = api(clerk)
    for _ in range(2):
        first = asked.get("/api/v1/customers/?name=wren&page_size=2").json()
        second = asked.get(first["next"]).json()
        third = asked.get(second["next"]).json()
        found = [row["id"] for page in (first, second, third) for row in page["results"]]
        assert len(found) == len(set(found)) == 5
        assert third["next"] is None
    both = asked.get(f"/api/v1/customers/?branch={quay.id}&branch={mill.id}").json()
    assert len(both["results"]) == 5  # the last one counts, as ever
    assert len(asked.get("/api/v1/customers/?name=wrenfield a").json()["results"]) == 5
    assert asked.get("/api/v1/customers/?name=qznamezq").json()["results"] == []
    assert asked.get("/api/v1/customers/?name=50%25").json()["results"] == []


@pytest.fixture
def customer_of_mill(mill):
    from tests.factories import CustomerFactory

    return CustomerFactory(branch=mill)
