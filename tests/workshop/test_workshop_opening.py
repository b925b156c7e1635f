"""Jobs open by themselves when an order is placed, follow its promise, and are given up with it."""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.core import outbox
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.orders.models import Order
from opticshop.stock import services as stock
from opticshop.stock.models import Lot
from opticshop.stock.selectors import ledger_differences
from opticshop.workshop.models import ORDINARY_STEPS, Job
from opticshop.workshop.tasks import follow_promise, open_job
from tests.factories import LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import receive
from tests.workshop.conftest import JOBS, Bench, events_of, place

pytestmark = pytest.mark.django_db


@pytest.fixture
def special_lens(world):
    lens = LensProductFactory(
        supply="made_to_order", name="Made to order 1.6 (invented)", sphere_min_dpt=Decimal("-10")
    )
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    return lens


def test_placing_an_order_opens_its_job_and_moves_it_into_the_workshop(bench, order):
    job = bench.read()
    assert (job["number"], job["attempt"], job["state"]) == ("MILL-J-2026-00001", 1, "open")
    assert [step["kind"] for step in job["steps"]] == list(ORDINARY_STEPS)
    assert job["promised_on"] == order["promised_on"]
    assert job["next"]["step"] == "verify"
    assert Order.objects.everywhere("test").get().state == "in_workshop"
    [opened] = events_of("workshop.job_opened")
    assert opened["order"] == order["id"]


def test_hearing_of_an_order_twice_opens_one_job(bench):
    open_job(OutboxEvent.objects.get(type="orders.placed"))
    assert Job.objects.everywhere("test").count() == 1


def test_an_order_cancelled_before_the_workshop_heard_of_it_gets_no_job(api, clerk, manager, world):
    order = api(clerk).post("/api/v1/orders/", world.body()).json()
    assert api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Changed mind"}).status_code == 200
    outbox.deliver_all()
    assert not Job.objects.everywhere("test").exists()
    assert not EventDelivery.objects.filter(handler__startswith="workshop", state="pending").exists()


def test_a_lens_made_to_order_is_waited_for(api, clerk, hand, world, special_lens):
    order = place(api(clerk), world, lenses={"right": str(world.lens.id), "left": str(special_lens.id)})
    bench = Bench(api(hand), str(Job.objects.everywhere("test").get(order_id=order["id"]).id))
    job = bench.read()
    assert (job["state"], job["awaited_eyes"]) == ("waiting", ["left"])
    assert job["next"]["requests"] == ["lenses-arrived"]
    refused = bench.post("steps/verify/start")
    assert (refused.status_code, refused.json()["code"]) == (409, "workshop.not_on_the_bench")
    assert bench.post("lenses-arrived", {"eyes": ["right"]}).status_code == 422
    assert bench.done("lenses-arrived")["state"] == "open"
    assert bench.post("lenses-arrived").json()["code"] == "workshop.nothing_awaited"
    assert events_of("workshop.lenses_arrived")[0]["eyes"] == ["left"]


def test_a_lens_made_to_order_that_breaks_is_ordered_again(api, clerk, hand, world, special_lens):
    order = place(api(clerk), world, lenses={"right": str(world.lens.id), "left": str(special_lens.id)})
    bench = Bench(api(hand), str(Job.objects.everywhere("test").get(order_id=order["id"]).id))
    bench.done("lenses-arrived")
    lost = bench.done("break-lens", {"eye": "left", "step": "verify", "reason": "Scratched"})
    assert lost["replaced"] is False
    assert (lost["job"]["state"], lost["job"]["awaited_eyes"]) == ("waiting", ["left"])


def test_a_new_promise_reaches_the_job(api, clerk, bench, order):
    body = {"promised_on": "2026-03-20", "reason": "Lens delayed"}
    assert api(clerk).post(f"/api/v1/orders/{order['id']}/promise/", body).status_code == 200
    outbox.deliver_all()
    assert bench.read()["promised_on"] == "2026-03-20"
    assert events_of("workshop.job_promised")[0]["promised_on"] == "2026-03-20"


def test_a_cancelled_order_gives_its_job_up(api, manager, bench, order):
    assert api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Moved away"}).status_code == 200
    outbox.deliver_all()
    job = bench.read()
    assert (job["state"], job["allowed_moves"]) == ("cancelled", [])
    assert "Moved away" in job["stop_reason"]
    assert events_of("workshop.job_cancelled")


@pytest.mark.parametrize("cut", [False, True])
def test_lenses_that_were_cut_for_a_cancelled_order_do_not_go_back_into_the_drawer(api, manager, bench, order, cut):
    bench.verify()
    if cut:
        bench.work("mark_up", "trace", "block", "edge")
    api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Moved away"})
    # Before anybody hears of it: the same transaction has written off what was cut.
    lots = Lot.objects.everywhere("test").filter(item__kind="lens")
    assert [(lot.on_hand, lot.reserved) for lot in lots] == [(1 if cut else 2, 0)] * 2
    frame = Lot.objects.everywhere("test").get(item__kind="frame")
    assert (frame.on_hand, frame.reserved) == (1, 0)
    assert not ledger_differences()
    assert [event["spoiled"] for event in events_of("orders.cancelled")] == [["left", "right"] if cut else []]
    outbox.deliver_all()
    assert bench.read()["state"] == "cancelled"


def test_a_cut_lens_is_never_promised_to_another_order(api, clerk, manager, bench, order, world):
    """Two pairs of lenses lay in the drawer, one was cut: after the cancellation one order can be placed, not two."""
    bench.verify()
    bench.work("mark_up", "trace", "block", "edge")
    receive(world.branch, stock.frame_item_ensure(world.frame), 1)
    api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Moved away"})
    assert api(clerk).post("/api/v1/orders/", world.body()).status_code == 201
    refused = api(clerk).post("/api/v1/orders/", world.body())
    assert (refused.status_code, refused.json()["code"]) == (409, "stock.out_of_stock")


def test_nothing_is_cut_for_an_order_that_was_called_off_a_moment_ago(api, manager, bench, order):
    """The workshop has not heard of it yet, and the lenses lie in the drawer again."""
    bench.verify()
    bench.work("mark_up", "trace", "block")
    api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Moved away"})
    response = bench.post("steps/edge/start")
    assert (response.status_code, response.json()["code"]) == (409, "workshop.order_called_off")
    assert bench.read()["cut_eyes"] == []


def test_the_board_shows_what_is_promised_first_and_keeps_its_cursor(api, clerk, hand, world):
    receive(world.branch, stock.frame_item_ensure(world.frame), 4)
    world.stock_lens("-4.00", "-1.00", 4)
    world.stock_lens("-4.50", "0.00", 4)
    for day in ("2026-03-12", "2026-03-06", "2026-03-09"):
        place(api(clerk), world, promised_on=day)
    client = api(hand)
    first = client.get(f"{JOBS}?ordering=promised_on&page_size=2").json()
    second = client.get(first["next"]).json()
    days = [job["promised_on"] for job in first["results"] + second["results"]]
    assert days == ["2026-03-06", "2026-03-09", "2026-03-12"]
    assert client.get(f"{JOBS}?ordering=loudest").status_code == 400
    window = client.get(f"{JOBS}?promised_from=2026-03-07&promised_to=2026-03-09&state=open&state=waiting").json()
    assert [job["promised_on"] for job in window["results"]] == ["2026-03-09"]
    assert len(client.get(f"{JOBS}?undone=edge").json()["results"]) == 3
    assert client.get(f"{JOBS}?state=finished").json()["results"] == []


def test_lists_cost_the_same_for_one_job_and_for_four(api, clerk, hand, world, queries):
    receive(world.branch, stock.frame_item_ensure(world.frame), 4)
    world.stock_lens("-4.00", "-1.00", 4)
    world.stock_lens("-4.50", "0.00", 4)
    client = api(hand)
    place(api(clerk), world)
    one = queries(lambda: client.get(JOBS))
    for _ in range(3):
        place(api(clerk), world)
    assert queries(lambda: client.get(JOBS)) == one


def test_another_branchs_job_looks_like_none(api, outsider, bench):
    client = api(outsider)
    assert client.get(bench.url).status_code == 404
    assert client.get(JOBS).json()["results"] == []
    for path, body in (
        ("steps/verify/start", {}),
        ("verify", {"eye": "right", "sphere_dpt": "-4.00", "cylinder_dpt": "-1.00", "axis_deg": 170}),
        ("break-lens", {"eye": "right", "step": "verify", "reason": "x"}),
        ("resume", {"note": "x"}),
    ):
        assert client.post(f"{bench.url}{path}/", body).status_code == 404
    for paper in ("ticket", "layout"):
        assert client.get(f"{bench.url}{paper}/").status_code == 404


def test_the_counter_may_look_but_not_work(api, clerk, bookkeeper, bench):
    client = api(clerk)
    assert client.get(bench.url).status_code == 200
    assert client.post(f"{bench.url}steps/verify/start/", {}).status_code == 403
    assert client.post(JOBS, {"order": str(bench.job.order_id), "remake_reason": "x"}).status_code == 403
    assert api(bookkeeper).get(JOBS).status_code == 403
    assert api(None).get(JOBS).status_code == 401
    assert bench.job.steps.filter(state="pending").count() == len(ORDINARY_STEPS)


def test_one_job_costs_the_same_however_much_happened_to_it(bench, world, queries):
    world.stock_lens("-4.50", "0.00", 3)
    bench.verify()
    bench.done("break-lens", {"eye": "left", "step": "verify", "reason": "Fell"})
    once = queries(bench.read)
    for _ in range(3):
        bench.verify("left")
        bench.done("break-lens", {"eye": "left", "step": "verify", "reason": "Fell"})
    assert queries(bench.read) == once


def test_of_two_promises_heard_in_the_wrong_order_the_later_stands(bench, api, clerk):
    """Events are delivered at least once and in no order: what counts is what the order says now."""
    url = f"/api/v1/orders/{bench.job.order_id}/promise/"
    for day in ("2026-03-19", "2026-03-20"):
        api(clerk).post(url, {"promised_on": day, "reason": "Late"})
    for event in OutboxEvent.objects.filter(type="orders.promised").order_by("-id"):
        follow_promise(event)
    assert str(bench.job.promised_on) == "2026-03-20"
