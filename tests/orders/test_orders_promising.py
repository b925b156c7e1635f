"""Promises: open days of the branch, lenses made to order, load of the bench; every promise kept with its reason.

The clock stands at Monday 2 March 2026. Easter 2026: Good Friday 3 April, Easter Monday 6 April (gov.uk/bank-holidays,
from memory).
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.branches.models import Branch, Closure, OpeningHours
from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order, Promise
from opticshop.orders.promising import lead_days, reckon, working_days_after
from opticshop.stock import services as stock
from tests.conftest import NOON
from tests.factories import LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import receive

URL = "/api/v1/orders/"
db = pytest.mark.django_db
MONDAY = dt.date(2026, 3, 2)


def refused(response, status, code):
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    return response.json()


def placed(client, world, **more):
    response = client.post(URL, world.body(**more))
    assert response.status_code == 201, response.content
    return response.json()


def promise_of(branch, day=MONDAY, lead=0, open_orders=0):
    return reckon(branch=branch, day=day, lead=lead, open_orders=open_orders)


@db
def test_open_days_are_those_of_the_branch(mill):
    assert promise_of(mill).promised_on == dt.date(2026, 3, 5)
    OpeningHours.objects.bulk_create(
        OpeningHours(branch=mill, weekday=day, opens_at=dt.time(9), closes_at=dt.time(17)) for day in (0, 2, 5)
    )
    assert promise_of(mill).promised_on == dt.date(2026, 3, 9)  # Wednesday, Saturday, Monday
    Closure.objects.create(branch=mill, first_on="2026-03-07", last_on="2026-03-07", reason="Stocktaking")
    assert promise_of(Branch.objects.get(id=mill.id)).promised_on == dt.date(2026, 3, 11)


@db
def test_public_holidays_are_skipped(mill):
    thursday = dt.date(2026, 4, 2)
    mill.subdivision = "ENG"
    assert promise_of(mill, thursday).promised_on == dt.date(2026, 4, 9)
    mill.subdivision = "SCT"  # no Easter Monday there
    assert promise_of(mill, thursday).promised_on == dt.date(2026, 4, 8)
    mill.keeps_public_holidays = False
    assert promise_of(mill, thursday).promised_on == dt.date(2026, 4, 7)


@db
def test_lenses_made_to_order_take_the_branchs_further_days(mill):
    mill.special_order_days = 5
    lead = lead_days(branch=mill, day=MONDAY, specials=[LensProductFactory(supply="made_to_order")])
    found = promise_of(mill, lead=lead)
    assert found.promised_on == dt.date(2026, 3, 12)
    assert found.basis["special_order_days"] == 5
    assert "made to order" in found.reason


@db
@pytest.mark.parametrize(
    ("open_orders", "queue", "promised_on"),
    [
        (0, 1, "2026-03-05"),
        (11, 3, "2026-03-05"),  # the twelfth pair is done on the third day
        (12, 4, "2026-03-06"),  # the thirteenth on the fourth
        (40, 11, "2026-03-17"),
    ],
)
def test_a_full_bench_promises_later(mill, open_orders, queue, promised_on):
    """By hand: four pairs a day, so this pair is done after ceil((open + 1) / 4) open days, but never before three."""
    mill.daily_capacity = 4
    found = promise_of(mill, open_orders=open_orders)
    assert (found.basis["queue_days"], found.promised_on.isoformat()) == (queue, promised_on)


@settings(max_examples=40)
@given(st.integers(1, 20), st.integers(0, 60), st.integers(0, 10), st.integers(0, 15))
def test_more_on_the_bench_never_promises_earlier(capacity, open_orders, turnaround, lead):
    branch = Branch(daily_capacity=capacity, turnaround_days=turnaround, keeps_public_holidays=False)
    branch._prefetched_objects_cache = {
        "opening_hours": OpeningHours.objects.none(),
        "closures": Closure.objects.none(),
    }
    here = promise_of(branch, open_orders=open_orders, lead=lead).promised_on
    more = promise_of(branch, open_orders=open_orders + 1, lead=lead).promised_on
    assert MONDAY <= here <= more
    assert here.weekday() < 5


def test_the_ordinary_week_skips_saturday_and_sunday():
    assert working_days_after(dt.date(2026, 3, 6), 1) == dt.date(2026, 3, 9)


@db
def test_the_load_is_that_of_orders_still_to_be_made(api, clerk, manager, world):
    world.branch.daily_capacity = 1
    world.branch.turnaround_days = 1
    world.branch.save()
    receive(world.branch, stock.frame_item_ensure(world.frame), 4)
    world.stock_lens("-4.00", "-1.00", 4)
    world.stock_lens("-4.50", "0.00", 4)
    first, second = placed(api(clerk), world), placed(api(clerk), world)
    assert (first["promised_on"], second["promised_on"]) == ("2026-03-03", "2026-03-04")
    assert second["promises"][0]["basis"]["open_orders"] == 1
    api(manager).post(f"{URL}{first['id']}/cancel/", {"reason": "Moved away"})
    assert placed(api(clerk), world)["promised_on"] == "2026-03-04"
    quote = api(clerk).post(f"{URL}quote/", world.body()).json()
    assert (quote["promised_on"], quote["promise_basis"]["queue_days"]) == ("2026-03-05", 3)


@db
def test_every_promise_is_kept_with_its_reason(api, clerk, world):
    order = placed(api(clerk), world)
    [first] = order["promises"]
    assert first["reason"] == "Reckoned: 3 open days, by the turnaround"
    assert (first["promised_on"], first["made_by_name"]) == ("2026-03-05", "Clerk")
    url = f"{URL}{order['id']}/promise/"
    api(clerk).post(url, {"promised_on": "2026-03-09", "reason": "Lens delayed by the supplier"})
    again = api(clerk).post(url, {"promised_on": "2026-03-11", "reason": "Left lens chipped"}).json()
    assert [(row["promised_on"], row["reason"]) for row in again["promises"][1:]] == [
        ("2026-03-09", "Lens delayed by the supplier"),
        ("2026-03-11", "Left lens chipped"),
    ]
    assert again["promises"][1]["basis"] == {}
    assert Order.objects.everywhere("test").get().promised_on == dt.date(2026, 3, 11)


@db
def test_a_day_that_the_customer_named_is_kept_as_such(api, clerk, world):
    order = placed(api(clerk), world, promised_on="2026-03-04")
    [promise] = order["promises"]
    assert (promise["reason"], promise["basis"]) == ("Day named when the order was placed", {})


@db
@pytest.mark.parametrize("day", ["2026-03-07", "2026-03-08", "2026-03-10"])
def test_nobody_is_promised_a_closed_day(api, clerk, world, day):
    Closure.objects.create(branch=world.branch, first_on="2026-03-10", last_on="2026-03-10", reason="Stocktaking")
    before = OutboxEvent.objects.count()
    problem = refused(api(clerk).post(URL, world.body(promised_on=day)), 422, "orders.promise_on_closed_day")
    assert problem["errors"][0]["allowed"] == ("2026-03-11" if day == "2026-03-10" else "2026-03-09")
    assert OutboxEvent.objects.count() == before
    order = placed(api(clerk), world)
    refused(
        api(clerk).post(f"{URL}{order['id']}/promise/", {"promised_on": day, "reason": "x"}),
        422,
        "orders.promise_on_closed_day",
    )
    assert Promise.objects.count() == 1


@db
def test_late_is_computed_and_ends_when_the_pair_is_ready(api, clerk, world):
    order = placed(api(clerk), world)
    url = f"{URL}{order['id']}/"
    assert order["is_late"] is False
    with clock.at(NOON + dt.timedelta(days=3)):
        assert api(clerk).get(url).json()["is_late"] is False  # the day itself
    with clock.at(NOON + dt.timedelta(days=4)):
        assert api(clerk).get(url).json()["is_late"] is True
        Order.objects.everywhere("test").update(state="ready")
        assert api(clerk).get(url).json()["is_late"] is False


@db
def test_a_lens_made_to_order_is_promised_later_through_the_api(api, clerk, world):
    special = LensProductFactory(supply="made_to_order", sphere_min_dpt=Decimal("-10"))
    LensSurfaceFactory(product=special, sphere_from_dpt=Decimal("-10"))
    order = placed(api(clerk), world, lenses={"right": str(world.lens.id), "left": str(special.id)})
    assert order["promised_on"] == "2026-03-16"  # 3 + 7 open days
