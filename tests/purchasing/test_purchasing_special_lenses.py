"""Lenses made for one order: drafted when it is placed, followed, read on arrival, promised to their eye.

Ordered: right -4.00 / -1.00 x 170, left -4.50, addition 2.00. Limits of ISO 8980-2:2017 as its plugin carries them
(from memory, unconfirmed).
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import system
from opticshop.core.models import EventDelivery
from opticshop.orders.models import Order
from opticshop.purchasing import selectors, services
from opticshop.purchasing.models import LensOrder, Offer, Supplier
from opticshop.stock.models import Lot, Movement, Reservation
from opticshop.stock.selectors import ledger_differences
from opticshop.workshop.models import Job
from tests.factories import LensProductFactory, LensSurfaceFactory
from tests.purchasing.conftest import LENS_ORDERS, done, events_of, price, refused

pytestmark = pytest.mark.django_db
JOBS = "/api/v1/jobs/"
GOOD = {
    "right": {"sphere_dpt": "-4.00", "cylinder_dpt": "-1.00", "axis_deg": 170, "addition_dpt": "2.00"},
    "left": {"sphere_dpt": "-4.50", "cylinder_dpt": "0.00", "addition_dpt": "2.00"},
}


@pytest.fixture
def maker(db):
    return Supplier.objects.create(name="Rowan Surfacing (invented)", lead_time_days=7)


@pytest.fixture
def varifocal(db, maker):
    lens = LensProductFactory(
        sku="PV-160",
        kind="power_variation",
        supply="made_to_order",
        sphere_min_dpt=Decimal("-10"),
        addition_min_dpt=Decimal("0.75"),
        addition_max_dpt=Decimal("3.50"),
        minimum_fitting_height_mm=Decimal("18"),
    )
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    offer = Offer.objects.create(supplier=maker, lens=lens, is_preferred=True, lead_time_days=5)
    price(offer, "38.50")
    return lens


@pytest.fixture
def placed(api, clerk, world, varifocal):
    body = world.body(lenses={"right": str(varifocal.id), "left": str(varifocal.id)})
    order = done(api(clerk).post("/api/v1/orders/", body), 201)
    outbox.deliver_all()
    return order


def lens_order(eye="right", **more):
    return LensOrder.objects.everywhere("test").filter(eye=eye, **more).order_by("-attempt").first()


def url_of(eye="right"):
    return f"{LENS_ORDERS}{lens_order(eye).id}/"


def job():
    return Job.objects.everywhere("test").get()


def nothing_failed():
    return not EventDelivery.objects.exclude(state="done").exists()


def test_placing_an_order_drafts_its_lenses_at_the_preferred_supplier(api, clerk, placed, maker):
    rows = done(api(clerk).get(f"{LENS_ORDERS}?order={placed['id']}"))["results"]
    right = next(row for row in rows if row["eye"] == "right")
    ordered = next(row for row in placed["lenses"] if row["eye"] == "right")
    exact = ("sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt", "prism_in_dpt", "prism_up_dpt")
    for name in (*exact, "centration_distance_mm", "centration_height_mm"):
        assert right[name] == ordered[name]
    assert (right["addition_dpt"], right["diameter_mm"]) == ("2.00", "70.00")
    assert (right["supplier"], right["unit_cost"], right["currency"]) == (str(maker.id), "38.50", "GBP")
    assert (len(rows), right["state"], right["number"][:9]) == (2, "draft", "MILL-L-20")
    assert job().state == "waiting"
    assert [event["eye"] for event in events_of("purchasing.lens_order_drafted")] == ["right", "left"]
    assert nothing_failed()


def test_a_varifocal_goes_from_order_to_lens_arrival_to_an_open_job(api, clerk, manager, hand, placed):
    """Order -> lens orders -> sent -> confirmed -> received one by one -> the job opens and its lenses are read."""
    for eye in ("right", "left"):
        sent = done(api(manager).post(f"{url_of(eye)}send/", {}))
        assert (sent["state"], sent["expected_on"]) == ("sent", "2026-03-09")  # five working days from 2 March
        promise = {"promised_on": "2026-03-10", "supplier_reference": "RX-1"}
        assert done(api(manager).post(f"{url_of(eye)}confirm/", promise))["state"] == "confirmed"
    here = {"reading": GOOD["right"], "lot_code": "RX-1"}
    received = done(api(clerk).post(f"{url_of('right')}receive/", here))
    assert (received["state"], received["outcome"]) == ("received", "pass")
    outbox.deliver_all()
    assert (job().state, job().awaited_eyes) == ("waiting", ["left"])
    done(api(clerk).post(f"{url_of('left')}receive/", {"reading": GOOD["left"]}))
    outbox.deliver_all()
    assert (job().state, job().awaited_eyes) == ("open", [])
    held = Reservation.objects.everywhere("test").filter(document=f"orders/{placed['id']}", state="active")
    assert sorted(held.values_list("part", flat=True)) == ["frame", "left", "right"]
    assert [event["eye"] for event in events_of("purchasing.special_lens_received")] == ["right", "left"]
    bench = api(hand)
    for eye, reading in GOOD.items():
        assert done(bench.post(f"{JOBS}{job().id}/verify/", {"eye": eye, **reading}), 201)["outcome"] == "pass"
    outbox.deliver_all()
    assert nothing_failed()
    assert ledger_differences() == []


def test_each_special_lens_is_promised_by_its_own_lot(api, clerk, manager, world, varifocal, placed):
    """Another piece of the same sphere and cylinder, left over from an order called off, is never taken instead."""
    leftover = lens_order()
    done(api(manager).post(f"{url_of()}send/", {}))
    order = Order.objects.everywhere("test").get()
    done(api(manager).post(f"/api/v1/orders/{order.id}/cancel/", {"reason": "Changed their mind"}))
    outbox.deliver_all()
    assert lens_order(id=leftover.id).is_wanted is False
    assert lens_order("left").state == "cancelled"
    done(api(clerk).post(f"{LENS_ORDERS}{leftover.id}/receive/", {"reading": GOOD["right"]}))
    assert not Reservation.objects.everywhere("test").filter(part="right").exists()
    world.stock_lens("-4.00", "-1.00")
    again = done(
        api(clerk).post("/api/v1/orders/", world.body(lenses={"right": str(varifocal.id)}, frame_is_customers=True)),
        201,
    )
    outbox.deliver_all()
    mine = lens_order(order_id=again["id"])
    done(api(manager).post(f"{LENS_ORDERS}{mine.id}/send/", {}))
    done(api(clerk).post(f"{LENS_ORDERS}{mine.id}/receive/", {"reading": GOOD["right"]}))
    held = Reservation.objects.everywhere("test").get(document=f"orders/{again['id']}", part="right")
    assert held.lot.code == mine.number
    assert Lot.objects.everywhere("test").get(code=leftover.number).reserved == 0


def test_a_lens_called_off_just_before_it_arrives_is_not_promised(api, clerk, manager, placed):
    """The event of the cancelled order has not been delivered yet when the lens is received."""
    done(api(manager).post(f"{url_of()}send/", {}))
    done(api(manager).post(f"/api/v1/orders/{placed['id']}/cancel/", {"reason": "Changed their mind"}))
    received = done(api(clerk).post(f"{url_of()}receive/", {"reading": GOOD["right"]}))
    assert received["is_wanted"] is False
    assert events_of("purchasing.special_lens_received")[0]["reserved"] is False
    outbox.deliver_all()
    assert job().state == "cancelled"
    assert nothing_failed()
    assert ledger_differences() == []


def test_a_lens_that_comes_after_the_pair_was_collected_is_not_promised(api, clerk, manager, placed):
    """The bench took a lens as delivered that nobody had received; found by the state machine of tests/journeys."""
    done(api(manager).post(f"{url_of()}send/", {}))
    order = Order.objects.everywhere("test").filter(id=placed["id"])
    order.update(state="collected", collected_at=clock.now())
    received = done(api(clerk).post(f"{url_of()}receive/", {"reading": GOOD["right"]}))
    assert received["is_wanted"] is False
    held = Reservation.objects.everywhere("test").filter(document=f"orders/{placed['id']}", state="active")
    assert not held.filter(part="right").exists()
    count = LensOrder.objects.everywhere("test").count()
    assert services.lens_orders_ensure(actor=system("test"), order=order.get()) == []
    assert LensOrder.objects.everywhere("test").count() == count


def test_a_lens_out_of_tolerance_is_kept_apart_and_ordered_again(api, clerk, manager, placed):
    done(api(manager).post(f"{url_of()}send/", {}))
    wrong = GOOD["right"] | {"axis_deg": 20}
    answer = done(api(clerk).post(f"{url_of()}receive/", {"reading": wrong}))
    assert (answer["state"], answer["outcome"], answer["standard"]) == ("faulty", "fail", "iso-8980-2017")
    assert "axis" in answer["fault"]
    apart = Lot.objects.everywhere("test").get(is_quarantined=True)
    assert (str(apart.id), apart.on_hand, apart.reserved) == (answer["lot"], 1, 0)
    again = lens_order()
    assert (again.attempt, again.state) == (2, "draft")
    assert again.reason.startswith("Out of tolerance")
    outbox.deliver_all()
    assert "right" in job().awaited_eyes
    [event] = events_of("purchasing.special_lens_faulty")
    assert event["replacement"] == str(again.id)
    assert not events_of("purchasing.special_lens_received")


def test_a_lens_is_read_or_somebody_says_why_not(api, clerk, manager, placed):
    done(api(manager).post(f"{url_of()}send/", {}))
    refused(api(clerk).post(f"{url_of()}receive/", {}), 422, "purchasing.not_checked")
    refused(api(clerk).post(f"{url_of()}receive/", {"unchecked_reason": "  "}), 422, "purchasing.not_checked")
    assert not Movement.objects.everywhere("test").filter(document__startswith="lens-orders/").exists()
    received = done(api(clerk).post(f"{url_of()}receive/", {"unchecked_reason": "Focimeter is at the makers"}))
    assert (received["state"], received["outcome"]) == ("received", "")


def test_a_lens_is_received_once(api, clerk, manager, placed):
    refused(api(clerk).post(f"{url_of()}receive/", {"reading": GOOD["right"]}), 409, "core.move_not_allowed")
    done(api(manager).post(f"{url_of()}send/", {}))
    done(api(clerk).post(f"{url_of()}receive/", {"reading": GOOD["right"]}))
    refused(api(clerk).post(f"{url_of()}receive/", {"reading": GOOD["right"]}), 409, "core.move_not_allowed")
    assert Movement.objects.everywhere("test").filter(document__startswith="lens-orders/").count() == 1


def test_a_lens_lost_on_the_way_is_ordered_again(api, clerk, manager, placed):
    done(api(manager).post(f"{url_of()}send/", {}))
    lost = done(api(clerk).post(f"{url_of()}fault/", {"reason": "Lost in the post", "is_here": False}))
    assert (lost["state"], lost["lot"], lens_order().attempt) == ("faulty", None, 2)


def test_a_lens_that_came_scratched_is_kept_apart(api, clerk, manager, placed):
    done(api(manager).post(f"{url_of()}send/", {}))
    lens = done(api(clerk).post(f"{url_of()}fault/", {"reason": "Scratched", "is_here": True}))
    assert Lot.objects.everywhere("test").get(id=lens["lot"]).quarantine_reason == "Scratched"
    assert lens_order().reason == "Scratched"


def both_received(api, clerk, manager):
    for eye, reading in GOOD.items():
        done(api(manager).post(f"{url_of(eye)}send/", {}))
        done(api(clerk).post(f"{url_of(eye)}receive/", {"reading": reading}))
    outbox.deliver_all()


def test_a_lens_lost_at_the_bench_is_written_off_and_ordered_again(api, clerk, manager, hand, placed):
    both_received(api, clerk, manager)
    refused(
        api(clerk).post(f"{url_of()}fault/", {"reason": "x", "is_here": True}), 409, "purchasing.reported_at_the_bench"
    )
    broken = {"eye": "right", "step": "edge", "reason": "Chipped"}
    done(api(hand).post(f"{JOBS}{job().id}/break-lens/", broken), 201)
    outbox.deliver_all()
    assert (job().state, job().awaited_eyes) == ("waiting", ["right"])
    written_off = Movement.objects.everywhere("test").get(kind="write_off")
    assert written_off.reason == "Lost at edge: Chipped"
    first = lens_order(attempt=1)
    assert (first.state, lens_order().attempt, lens_order().reason) == ("faulty", 2, "Lost at edge: Chipped")
    done(api(manager).post(f"{url_of()}send/", {}))
    done(api(clerk).post(f"{url_of()}receive/", {"reading": GOOD["right"]}))
    outbox.deliver_all()
    assert (job().state, job().awaited_eyes) == ("open", [])
    assert nothing_failed()
    assert ledger_differences() == []


def test_a_lens_that_reads_wrong_at_the_bench_goes_into_quarantine_for_its_supplier(api, clerk, manager, hand, placed):
    both_received(api, clerk, manager)
    reading = {"eye": "right", **GOOD["right"], "axis_deg": 20}
    done(api(hand).post(f"{JOBS}{job().id}/verify/", reading), 201)
    broken = {"eye": "right", "step": "verify", "reason": "Axis is wrong"}
    done(api(hand).post(f"{JOBS}{job().id}/break-lens/", broken), 201)
    outbox.deliver_all()
    apart = Lot.objects.everywhere("test").get(is_quarantined=True)
    assert (apart.on_hand, apart.reserved) == (1, 0)
    assert lens_order().attempt == 2
    assert nothing_failed()
    assert ledger_differences() == []


def test_a_remake_orders_the_lens_again(api, clerk, manager, hand, placed):
    both_received(api, clerk, manager)
    done(api(hand).post(f"{JOBS}{job().id}/cancel/", {"reason": "Frame broke"}))
    Job.objects.everywhere("test").update(cut_eyes=["left"])
    done(api(hand).post(JOBS, {"order": placed["id"], "remake_reason": "Frame broke", "eyes": ["left"]}), 201)
    outbox.deliver_all()
    assert lens_order("left").attempt == 2
    assert lens_order("left").reason == "Made again: Frame broke"
    assert lens_order("right").attempt == 1
    assert nothing_failed()


def test_hearing_of_an_order_twice_drafts_nothing_twice(api, manager, placed):
    body = {"order": placed["id"]}
    assert done(api(manager).post(LENS_ORDERS, body), 201)["drafted"] == []
    done(api(manager).post(f"{url_of()}cancel/", {"reason": "Wrong supplier"}))
    [again] = done(api(manager).post(LENS_ORDERS, body | {"reason": "At another supplier"}), 201)["drafted"]
    assert (again["eye"], again["attempt"], again["reason"]) == ("right", 2, "At another supplier")


def test_a_draft_without_a_known_supplier_waits_for_one(api, manager, clerk, world, varifocal, maker):
    Offer.objects.update(is_active=False, is_preferred=False)
    done(api(clerk).post("/api/v1/orders/", world.body(lenses={"right": str(varifocal.id)})), 201)
    outbox.deliver_all()
    assert done(api(manager).get(f"{LENS_ORDERS}?without_supplier=true"))["results"][0]["supplier"] is None
    refused(api(manager).post(f"{url_of()}send/", {}), 409, "purchasing.supplier_missing")
    client, key = api(manager), {"If-Match": '"1"'}
    done(client.patch(url_of(), {"supplier": str(maker.id)}, headers=key))
    refused(api(manager).post(f"{url_of()}send/", {}), 409, "purchasing.cost_unknown")
    refused(client.patch(url_of(), {"unit_cost": "40.00"}, headers=key), 412, "core.version_mismatch")
    done(client.patch(url_of(), {"unit_cost": "40.00"}, headers={"If-Match": '"2"'}))
    done(api(manager).post(f"{url_of()}send/", {}, headers={"If-Match": '"3"'}))
    refused(client.patch(url_of(), {"unit_cost": "1"}, headers={"If-Match": '"4"'}), 409, "purchasing.lens_order_sent")


def test_a_promise_is_today_or_later_and_may_be_given_anew(api, manager, placed):
    done(api(manager).post(f"{url_of()}send/", {}))
    url = f"{url_of()}confirm/"
    refused(api(manager).post(url, {"promised_on": "2026-03-01"}), 422, "purchasing.promise_in_the_past")
    done(api(manager).post(url, {"promised_on": "2026-03-10"}))
    assert done(api(manager).post(url, {"promised_on": "2026-03-12"}))["promised_on"] == "2026-03-12"
    assert [event["promised_on"] for event in events_of("purchasing.lens_order_confirmed")] == [
        "2026-03-10",
        "2026-03-12",
    ]


def test_late_lenses_are_computed_from_the_promise_or_the_lead_time(api, manager, placed):
    done(api(manager).post(f"{url_of('right')}send/", {}))  # due on 9 March by its lead time
    done(api(manager).post(f"{url_of('left')}send/", {}))
    done(api(manager).post(f"{url_of('left')}confirm/", {"promised_on": "2026-03-12"}))
    eyes = {}
    for day in (9, 10, 12, 13):
        with clock.at(dt.datetime(2026, 3, day, 12, tzinfo=dt.UTC)):
            rows = done(api(manager).get(f"{LENS_ORDERS}?late=true"))["results"]
            eyes[day] = sorted(row["eye"] for row in rows)
            assert all(row["is_late"] for row in rows)
            assert [row.eye for row in selectors.lens_orders_late(system("test"))] == sorted(eyes[day], reverse=True)
            others = done(api(manager).get(f"{LENS_ORDERS}?late=false"))["results"]
            assert len(rows) + len(others) == 2
    assert eyes == {9: [], 10: ["right"], 12: ["right"], 13: ["left", "right"]}


def test_a_lens_due_after_the_pair_is_promised_is_pointed_out(api, manager, clerk, placed):
    promised = placed["promised_on"]
    done(api(manager).post(f"{url_of('right')}send/", {}))
    done(api(manager).post(f"{url_of('left')}send/", {}))
    client = api(clerk)
    assert done(client.get(f"{LENS_ORDERS}?endangers_promise=true"))["results"] == []
    done(api(manager).post(f"{url_of('left')}confirm/", {"promised_on": promised}))
    [row] = done(client.get(f"{LENS_ORDERS}?endangers_promise=true"))["results"]
    assert (row["eye"], row["endangers_promise"], row["is_late"]) == ("left", True, False)
    [other] = done(client.get(f"{LENS_ORDERS}?endangers_promise=false"))["results"]
    assert (other["eye"], other["endangers_promise"]) == ("right", False)


def test_who_may_order_and_who_may_receive(api, clerk, hand, outsider, placed):
    for action in ("send", "cancel"):
        assert api(clerk).post(f"{url_of()}{action}/", {"reason": "x"} if action == "cancel" else {}).status_code == 403
    assert api(hand).post(f"{url_of()}receive/", {"reading": GOOD["right"]}).status_code == 403
    assert api(hand).get(url_of()).status_code == 200
    assert api(outsider).get(url_of()).status_code == 404
    assert api(outsider).post(f"{url_of()}send/", {}).status_code == 404
    assert api(outsider).get(LENS_ORDERS).data["results"] == []
    assert lens_order().state == "draft"


def test_an_order_from_stock_orders_nothing(api, clerk, world):
    done(api(clerk).post("/api/v1/orders/", world.body()), 201)
    outbox.deliver_all()
    assert not LensOrder.objects.everywhere("test").exists()


def test_the_list_costs_the_same_for_two_rows_and_for_ten(api, clerk, world, varifocal, placed, queries):
    client = api(clerk)
    two = queries(lambda: client.get(LENS_ORDERS))
    for _ in range(4):
        body = world.body(lenses={"right": str(varifocal.id), "left": str(varifocal.id)}, frame_is_customers=True)
        done(client.post("/api/v1/orders/", body), 201)
    outbox.deliver_all()
    assert len(client.get(LENS_ORDERS).data["results"]) == 10
    assert queries(lambda: client.get(LENS_ORDERS)) == two <= 4 + 4, "four write down who read"


@pytest.mark.parametrize(
    ("offer", "promised_on"),
    [
        ({"lead_time_days": 5}, "2026-03-12"),
        ({"lead_time_days": 9}, "2026-03-18"),
        ({"lead_time_days": None}, "2026-03-16"),  # the supplier's own 7
        ({"is_active": False}, "2026-03-13"),  # nobody states anything: the branch's 6
    ],
)
def test_the_promise_counts_on_the_lead_time_that_the_supplier_states(
    api, clerk, world, mill, varifocal, offer, promised_on
):
    """By hand: ordered on Monday 2 March; 5 open days for the lenses and 3 in the shop end on Thursday 12 March."""
    Branch.objects.update(special_order_days=6)
    Offer.objects.update(**offer)
    body = world.body(lenses={"right": str(varifocal.id), "left": str(varifocal.id)})
    assert done(api(clerk).post("/api/v1/orders/", body), 201)["promised_on"] == promised_on
