"""Calling an order off asks who knows what is spoilt, in the same transaction; orders know nothing of cutting."""

from __future__ import annotations

import pytest

from opticshop.core.actor import system
from opticshop.orders import services, spoiling
from opticshop.orders.models import Order
from opticshop.stock.models import Lot, Reservation

pytestmark = pytest.mark.django_db


@pytest.fixture
def order(api, clerk, world):
    made = api(clerk).post("/api/v1/orders/", world.body())
    return Order.objects.everywhere("test").get(id=made.json()["id"])


@pytest.fixture
def finder(monkeypatch):
    monkeypatch.setattr(spoiling, "_finders", {})

    def register(name, found):
        spoiling.finds_spoiled(name)(found)

    return register


def test_what_any_finder_calls_spoilt_is_written_off_and_the_rest_goes_back(order, finder):
    finder("one", lambda order: {"left"})
    finder("two", lambda order: {"frame", "left"})
    services.order_cancel(actor=system("test"), order=order, reason="Moved away")
    rows = Reservation.objects.everywhere("test").values_list("part", "state")
    assert dict(rows) == {"left": "written_off", "frame": "written_off", "right": "released"}
    frame = Lot.objects.everywhere("test").get(item__kind="frame")
    assert (frame.on_hand, frame.reserved) == (0, 0)


def test_a_spoilt_part_that_came_from_no_stock_is_passed_over(order, finder):
    Reservation.objects.everywhere("test").filter(part="left").update(state="released")
    Lot.objects.everywhere("test").filter(item__sphere_dpt="-4.50").update(reserved=0)
    finder("one", lambda order: {"left"})
    services.order_cancel(actor=system("test"), order=order, reason="Moved away")
    assert Order.objects.everywhere("test").get().state == "cancelled"


def test_a_finder_that_fails_leaves_the_order_as_it_was(order, finder):
    def broken(order):
        raise RuntimeError("no answer")

    finder("one", broken)
    with pytest.raises(RuntimeError):
        services.order_cancel(actor=system("test"), order=order, reason="Moved away")
    assert Order.objects.everywhere("test").get().state == "placed"
    assert set(Reservation.objects.everywhere("test").values_list("state", flat=True)) == {"active"}


def test_two_finders_do_not_share_a_name(finder):
    finder("one", lambda order: set())
    with pytest.raises(ValueError, match="two finders"):
        finder("one", lambda order: {"left"})
