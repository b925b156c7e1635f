"""An order's way through its states; what is not in the table is a 409 that names the allowed moves."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.core.errors import MoveNotAllowed
from opticshop.core.models import OutboxEvent
from opticshop.customers.ages import age_on
from opticshop.orders import services
from opticshop.orders.models import ORDER_MOVES, Order, OrderState
from opticshop.orders.pricing import spread
from opticshop.orders.promising import working_days_after
from opticshop.stock.models import Lot, Reservation
from tests.factories import CustomerFactory

SYSTEM = system("test")
URL = "/api/v1/orders/"


@pytest.fixture
def order(api, clerk, world) -> Order:
    made = api(clerk).post(URL, world.body())
    assert made.status_code == 201, made.content
    return Order.objects.everywhere("test").get(id=made.json()["id"])


@pytest.mark.django_db
def test_the_whole_way(order):
    for step in (services.order_enter_workshop, services.order_mark_ready, services.order_collect):
        step(actor=SYSTEM, order=order)
    assert order.state == OrderState.COLLECTED
    assert order.version == 4
    assert order.collected_at is not None
    types = list(OutboxEvent.objects.filter(subject=f"orders/{order.id}").order_by("id").values_list("type", flat=True))
    assert types == ["orders.placed", "orders.in_workshop", "orders.ready", "orders.collected"]
    assert {r.state for r in Reservation.objects.everywhere("test")} == {"consumed"}
    assert sum(Lot.objects.everywhere("test").values_list("on_hand", flat=True)) == 2  # one of each lens is left


@pytest.mark.django_db
@pytest.mark.parametrize("state", OrderState.values)
@pytest.mark.parametrize("wanted", OrderState.values)
def test_only_moves_in_the_table_are_possible(order, state, wanted):
    changes = {"state": state}
    if state == "cancelled":
        changes["cancelled_reason"] = "test"
    if state == "collected":
        changes["collected_at"] = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    Order.objects.everywhere("test").filter(id=order.id).update(**changes)
    move = {
        "in_workshop": lambda: services.order_enter_workshop(actor=SYSTEM, order=order),
        "ready": lambda: services.order_mark_ready(actor=SYSTEM, order=order),
        "collected": lambda: services.order_collect(actor=SYSTEM, order=order),
        "cancelled": lambda: services.order_cancel(actor=SYSTEM, order=order, reason="test"),
    }.get(wanted)
    if move is None:
        return
    if wanted in ORDER_MOVES[state]:
        move()
        order.refresh_from_db()
        assert order.state == wanted
    else:
        with pytest.raises(MoveNotAllowed) as refusal:
            move()
        assert refusal.value.allowed == sorted(map(str, ORDER_MOVES[state]))
        order.refresh_from_db()
        assert order.state == state


@pytest.mark.django_db
def test_cancelling_releases_the_stock_and_needs_the_permission(api, clerk, manager, order):
    url = f"{URL}{order.id}/cancel/"
    assert api(clerk).post(url, {"reason": "no"}).status_code == 403
    answer = api(manager).post(url, {"reason": "Customer changed their mind"})
    assert (answer.status_code, answer.json()["state"]) == (200, "cancelled")
    assert {r.state for r in Reservation.objects.everywhere("test")} == {"released"}
    again = api(manager).post(url, {"reason": "twice"})
    assert (again.status_code, again.json()["code"]) == (409, "core.move_not_allowed")
    assert again.json()["errors"][0]["allowed"] == []


@pytest.mark.django_db
def test_a_new_promise_keeps_the_old_one_in_the_event(api, clerk, order):
    url = f"{URL}{order.id}/promise/"
    answer = api(clerk).post(url, {"promised_on": "2026-03-09", "reason": "Lens delayed"})
    assert answer.json()["promised_on"] == "2026-03-09"
    event = OutboxEvent.objects.get(type="orders.promised")
    assert (event.data["before"], event.data["reason"]) == ("2026-03-05", "Lens delayed")
    past = api(clerk).post(url, {"promised_on": "2026-03-01", "reason": "x"})
    assert past.json()["code"] == "orders.promise_in_the_past"


@pytest.mark.django_db
def test_another_branchs_order_looks_like_none(api, outsider, order):
    client = api(outsider)
    assert client.get(f"{URL}{order.id}/").status_code == 404
    assert client.get(URL).json()["results"] == []
    assert client.get(f"{URL}?number={order.number}").json()["results"] == []
    assert client.post(f"{URL}{order.id}/cancel/", {"reason": "x"}).status_code == 404


@pytest.mark.django_db
def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, order, queries):
    client = api(clerk)
    one = queries(lambda: client.get(URL))
    for n in range(9):
        lenses, lines = list(order.lenses.all()), list(order.lines.all())
        twin = Order.objects.everywhere("test").get(id=order.id)
        twin.pk, twin.number, twin.customer = None, f"T{n}", CustomerFactory(branch=order.branch)
        twin.id = Order._meta.pk.get_default()
        twin._state.adding = True
        twin.save()
        for row in [*lenses, *lines]:
            row.id, row.order, row._state.adding = type(row)._meta.pk.get_default(), twin, True
            row.save()
    assert len(client.get(URL).json()["results"]) == 10
    assert queries(lambda: client.get(URL)) == one


def test_working_days_skip_the_weekend():
    friday = dt.date(2026, 3, 6)
    assert working_days_after(friday, 1) == dt.date(2026, 3, 9)
    assert working_days_after(friday + dt.timedelta(days=1), 0) == dt.date(2026, 3, 9)


def test_age_is_counted_on_the_day():
    born = dt.date(2010, 3, 2)
    assert age_on(born, dt.date(2026, 3, 1)) == 15
    assert age_on(born, dt.date(2026, 3, 2)) == 16
    assert age_on(dt.date(2012, 2, 29), dt.date(2026, 2, 28)) == 13
    assert age_on(None, dt.date(2026, 3, 2)) is None


money = st.decimals(min_value=0, max_value=1000, places=2)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(money, min_size=1, max_size=6).filter(sum), st.data())
def test_a_spread_discount_adds_up_and_never_turns_a_line_negative(prices, data):
    amount = data.draw(st.decimals(min_value=0, max_value=sum(prices), places=2))
    shares = spread(Decimal(amount), prices, "GBP")
    assert sum(shares.values()) == amount
    assert all(0 <= share <= prices[index] for index, share in shares.items())
