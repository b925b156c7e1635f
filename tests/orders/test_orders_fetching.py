"""Rows fetched beforehand are those that Django's own prefetching gives; it is the reference."""

from __future__ import annotations

import pytest
from django.db import connection
from django.db.models.query import prefetch_related_objects
from django.test.utils import CaptureQueriesContext

from opticshop.core.actor import system
from opticshop.core.fetching import Fetched, fetch_related
from opticshop.orders.models import Order, OrderedLens
from opticshop.orders.selectors import orders_visible_to

pytestmark = pytest.mark.django_db
PATHS = ("lenses__product", "lines", "replacements", "promises__made_by", "customer__branch")


def _bare():
    return list(Order.objects.everywhere("test").order_by("id"))


def _told(order):
    return (
        [(lens.eye, lens.product.sku, lens.order is order) for lens in order.lenses.all()],
        [(line.position, line.sku) for line in order.lines.all()],
        [each.number for each in order.replacements.all()],
        [(each.promised_on, str(each.made_by)) for each in order.promises.all()],
        order.customer.branch.code,
    )


@pytest.fixture
def orders(api, clerk, world):
    for more in ({}, {"frame_is_customers": True}):
        assert api(clerk).post("/api/v1/orders/", world.body(**more)).status_code == 201


def test_it_fetches_what_django_fetches_in_as_many_queries(orders):
    ours, theirs = _bare(), _bare()
    with CaptureQueriesContext(connection) as by_us:
        fetch_related(ours, PATHS, "default")
    with CaptureQueriesContext(connection) as by_django:
        prefetch_related_objects(theirs, *PATHS)
    assert len(by_us) <= len(by_django)
    with CaptureQueriesContext(connection) as later:
        assert [_told(each) for each in ours] == [_told(each) for each in theirs]
    assert [len(each) for each in _told(ours[0])[:2]] != [0, 0]
    assert not later.captured_queries


def test_values_are_no_rows(orders):
    found = orders_visible_to(system("test")).order_by("id")
    assert list(found.values_list("id", flat=True)) == [each.id for each in _bare()]
    assert list(found.values_list("id", "state")) == [(each.id, each.state) for each in _bare()]


def test_what_goes_on_asking_asks_the_relation_of_its_row(orders):
    first, second = orders_visible_to(system("test")).order_by("id")
    assert isinstance(first.lenses.all(), Fetched)
    assert first.lenses.filter(eye="right").get().order_id == first.id
    assert first.lenses.exclude(eye="right").count() == first.lenses.count() - 1
    assert set(second.lenses.values_list("order_id", flat=True)) == {second.id}
    assert first.lenses.order_by("eye").first().order_id == first.id
    assert (len(first.lenses.all()), bool(first.replacements.all())) == (first.lenses.count(), False)
    OrderedLens.objects.filter(order=first, eye="right").delete()
    assert len(first.lenses.all()) == 2, "as it was read"
    assert len(first.lenses.all().all()) == 1, "asked anew"
