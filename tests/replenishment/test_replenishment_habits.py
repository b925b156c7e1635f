"""ABC classes of a branch, and stock that nobody has asked for in months."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.core import clock
from opticshop.replenishment.selectors import dead_stock_at
from opticshop.stock import services as stock
from tests.conftest import NOON
from tests.factories import FrameFactory
from tests.replenishment.conftest import TEST, take

pytestmark = pytest.mark.django_db
CLASSES = "/api/v1/replenishment/classes/"
DEAD = "/api/v1/replenishment/dead-stock/"


def test_classes_follow_the_value_that_moved(api, manager, mill, quay, power, used):
    often, seldom, never = power("-1.00"), power("-2.00"), power("-3.00")
    used(mill, often, (10, 10), cost="4.00")
    used(mill, seldom, (0, 2), cost="5.00")
    used(mill, never, (0, 0), left=3)
    used(quay, seldom, (50, 50))
    found = api(manager).get(CLASSES, {"branch": str(mill.id), "weeks": 4}).data
    assert [(str(row["item"]["id"]), row["pieces"], row["value"], row["abc_class"]) for row in found["items"]] == [
        (str(often.id), 20, "80.00", "A"),
        (str(seldom.id), 2, "10.00", "B"),
    ]
    summary = {row["abc_class"]: (row["items"], row["value"], row["share_percent"]) for row in found["classes"]}
    assert summary == {
        "A": (1, "80.00", "88.9"),
        "B": (1, "10.00", "11.1"),
        "C": (0, "0.00", "0.0"),
        "D": (0, "0.00", "0.0"),
    }
    assert (found["since"], found["until"]) == ("2026-02-02", "2026-03-02")


def test_classes_are_for_those_who_may_see_the_branch(api, clerk, outsider, mill):
    assert api(clerk).get(CLASSES, {"branch": str(mill.id)}).status_code == 403
    assert api(outsider).get(CLASSES, {"branch": str(mill.id)}).status_code == 404
    assert api(outsider).get(CLASSES).status_code == 400


def dead(client, **query):
    answer = client.get(DEAD, query)
    assert answer.status_code == 200, answer.data
    return {(row["item"]["id"], row["code"]): row for row in answer.data["results"]}


def test_stock_is_dead_when_nobody_used_it_for_so_many_months(api, manager, mill, quay, power, used):
    asleep, awake, fresh = power("-1.00"), power("-2.00"), power("-3.00")
    lot = used(mill, asleep, (0,) * 80, left=4, cost="3.50")
    take(lot, 1, NOON - dt.timedelta(days=400))
    used(mill, awake, (0,) * 79 + (1,), left=4)
    used(quay, asleep, (0,) * 79 + (1,), left=4)
    used(mill, fresh, (0, 0), left=4)
    client = api(manager)
    found = dead(client)
    assert list(found) == [(str(asleep.id), "OLD")]
    [row] = found.values()
    assert (row["on_hand"], row["value"]) == (3, "10.50")
    assert row["last_taken_at"].startswith((NOON - dt.timedelta(days=400)).date().isoformat())
    assert dead(client, months="14") == {}
    assert set(dead(client, months="1")) == {(str(asleep.id), "OLD")}
    assert client.get(DEAD, {"months": "0"}).status_code == 400
    [now] = dead_stock_at([mill, quay], at=NOON)
    assert (now.lot.id, now.pieces, now.value, now.idle_since) == (
        lot.id,
        3,
        Decimal("10.50"),
        NOON - dt.timedelta(days=400),
    )
    assert dead_stock_at([quay], at=NOON) == dead_stock_at([mill], at=NOON, months=14) == []
    # On the day before one was taken all four had lain for 80 weeks less 401 days, as had the other lot of that age.
    then = dead_stock_at([mill], at=NOON - dt.timedelta(days=401), months=5)
    assert [(each.pieces, each.idle_since) for each in then] == [
        (4, NOON - dt.timedelta(weeks=80)),
        (5, NOON - dt.timedelta(weeks=80)),
    ]
    assert dead_stock_at([mill], at=NOON - dt.timedelta(days=401), months=6) == []


def test_frames_can_be_dead_stock_too_and_each_branch_sees_its_own(api, manager, outsider, clerk, mill, queries):
    with clock.at(NOON - dt.timedelta(days=500)):
        for n in range(4):
            delivery = {"lot_code": f"D{n}", "quantity": 1, "unit_cost": Decimal(31), "document": "deliveries/test"}
            stock.frame_receive(actor=TEST, branch=mill, frame=FrameFactory(), **delivery)
    client = api(manager)
    assert len(dead(client, kind="frame")) == 4
    assert dead(client, kind="lens") == {}
    assert dead(api(outsider)) == {}
    assert api(clerk).get(DEAD).status_code == 403
    assert queries(lambda: client.get(DEAD, {"page_size": 1})) == queries(lambda: client.get(DEAD))
