"""What goes wrong and how it is put right, from end to end: each journey through the API.

Reason, eye, step and who bears the cost are fields of their own. Lots in these tests cost 4.00 a piece (invented).
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.accounts.models import Membership
from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.orders.causes import CAUSES, Bearer, Where, choices
from opticshop.orders.models import Order
from opticshop.orders.services import order_collect
from opticshop.prescriptions.models import PrescribedEye
from opticshop.stock import services as stock
from opticshop.stock.models import Lot, Reservation
from opticshop.stock.selectors import ledger_differences
from opticshop.workshop.models import Breakage, Job
from tests.conftest import member
from tests.factories import FrameFactory
from tests.orders.conftest import measure, prescribe, receive
from tests.quality.conftest import INSPECTIONS, measured
from tests.workshop.conftest import JOBS, Bench, events_of, place

pytestmark = pytest.mark.django_db
ORDERS = "/api/v1/orders/"


def refused(response, status, code):
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    return response.json()


def on_hand(kind, branch=None):
    lots = Lot.objects.everywhere("test").filter(item__kind=kind)
    lots = lots if branch is None else lots.filter(branch=branch)
    return sorted((str(lot.item), lot.on_hand, lot.reserved) for lot in lots)


def reservations(order_id):
    rows = Reservation.objects.everywhere("test").filter(document=f"orders/{order_id}").order_by("id")
    return [(row.part, row.state) for row in rows]


def job_of(order_id) -> Job:
    return Job.objects.everywhere("test").filter(order_id=order_id).order_by("-attempt").first()


def inspect(bench, **changes):
    response = bench.client.post(INSPECTIONS, measured(bench.job_id, **changes))
    assert response.status_code == 201, response.content
    return response.json()


def make(bench, *eyes):
    """From a job whose lenses are there to the packed pair."""
    bench.verify(*eyes)
    bench.work("mark_up", "trace", "block", "edge", "hand_edge", "glaze")
    assert inspect(bench)["outcome"] == "pass"
    bench.work("set_up", "pack")
    outbox.deliver_all()


def test_the_wrong_eye_is_fitted(bench, world):
    """Right and left lens swapped in the frame: the inspection fails, both are cut and lost, two others are made."""
    bench.to_inspection()
    right, left = measured(bench.job_id)["right"], measured(bench.job_id)["left"]
    found = inspect(bench, right=left, left={**right})
    assert (found["outcome"], found["job_state"]) == ("fail", "stopped")
    assert any("Right lens" in reason for reason in found["reasons"])
    bench.done("resume", {"note": "Both to be made again"})
    for eye in ("right", "left"):
        lost = bench.done(
            "break-lens", {"eye": eye, "step": "glaze", "reason": "Cut for the other eye", "cause": "eyes_swapped"}
        )
        assert (lost["borne_by"], lost["cost"], lost["currency"]) == ("workshop", "4.00", "GBP")
    make(bench)
    assert Order.objects.everywhere("test").get().state == "ready"
    assert [(row.eye, row.cause) for row in Breakage.objects.order_by("id")] == [
        ("right", "eyes_swapped"),
        ("left", "eyes_swapped"),
    ]
    assert not ledger_differences()


def test_the_axis_is_wrong_and_one_lens_is_made_again(bench, order):
    bench.to_inspection()
    found = inspect(bench, right={"axis_deg": 176}, redo_from="block")
    assert found["job_state"] == "stopped"
    states = {step["kind"]: step["state"] for step in bench.read()["steps"]}
    assert (states["trace"], states["block"]) == ("done", "pending")
    bench.done("resume", {"note": "Right lens slipped on the block"})
    lost = bench.done(
        "break-lens",
        {
            "eye": "right",
            "step": "block",
            "reason": "Slipped on the block",
            "cause": "axis_off",
            "borne_by": "supplier",
        },
    )
    assert (lost["eye"], lost["step"], lost["cause"], lost["borne_by"]) == ("right", "block", "axis_off", "supplier")
    make(bench, "right")
    assert reservations(order["id"])[-1] == ("right", "active")
    [event] = events_of("workshop.lens_broken")
    assert (event["cause"], event["borne_by"]) == ("axis_off", "supplier")


@pytest.fixture
def amended(api, manager, world):
    """The prescriber amends the right axis; the superseding prescription."""

    def amend():
        new = prescribe(world.customer, right=("-4.00", "-1.00", 160, "2.00"))
        type(new).objects.everywhere("test").filter(id=new.id).update(
            supersedes=world.prescription, amendment_reason="Axis amended by the prescriber"
        )
        from django.db import transaction

        with transaction.atomic():
            outbox.record(
                event_type="prescriptions.amended",
                subject=f"prescriptions/{new.id}",
                actor=system("test"),
                branch_id=world.branch.id,
                data={
                    "prescription": str(new.id),
                    "customer": str(world.customer.id),
                    "supersedes": str(world.prescription.id),
                },
            )
        outbox.deliver_all()
        return new

    return amend


def test_the_prescriber_amends_after_the_order(api, manager, bench, order, world, amended):
    """The job stops; the order is replaced by one to the amended prescription; what was cut is written off."""
    receive(world.branch, stock.frame_item_ensure(world.frame), 1)
    bench.verify()
    bench.work("mark_up", "trace", "block", "edge")
    new = amended()
    job = bench.read()
    assert job["state"] == "stopped"
    assert "amended" in job["stop_reason"]
    client = api(manager)
    same = client.post(f"{ORDERS}{order['id']}/replace/", {"reason": "x"})
    refused(same, 409, "prescriptions.superseded")
    assert Order.objects.everywhere("test").get().state == "in_workshop"
    response = client.post(
        f"{ORDERS}{order['id']}/replace/",
        {"prescription": str(new.id), "reason": "Right axis amended", "cause": "prescriber_change"},
    )
    assert response.status_code == 201, response.content
    placed = response.json()
    assert (placed["replaces"], placed["replacement_reason"]) == (order["id"], "Right axis amended")
    assert placed["lenses"][0]["axis_deg"] == 160
    former = client.get(f"{ORDERS}{order['id']}/").json()
    assert (former["state"], former["replaced_by"]) == ("cancelled", [placed["id"]])
    assert sorted(reservations(order["id"])) == [
        ("frame", "released"),
        ("left", "written_off"),
        ("right", "written_off"),
    ]
    outbox.deliver_all()
    assert bench.read()["state"] == "cancelled"
    assert job_of(placed["id"]).state == "open"
    assert [(row.eye, row.cause, row.borne_by, row.cost) for row in Breakage.objects.order_by("eye")] == [
        ("left", "prescriber_change", "prescriber", Decimal("4.00")),
        ("right", "prescriber_change", "prescriber", Decimal("4.00")),
    ]
    [event] = events_of("orders.replaced")
    assert event["replaces"] == order["id"]
    refused(client.post(f"{ORDERS}{order['id']}/replace/", {"reason": "x"}), 409, "orders.already_replaced")
    assert not ledger_differences()


def test_a_job_that_waits_is_stopped_too_and_waits_again_when_resumed(bench, amended):
    Job.objects.everywhere("test").update(state="waiting", awaited_eyes=["left"])
    amended()
    assert bench.read()["state"] == "stopped"
    assert bench.done("resume", {"note": "Only the other purpose was amended"})["state"] == "waiting"


def test_a_job_that_was_stopped_keeps_both_reasons(bench, amended):
    bench.done("stop", {"reason": "Frame is at the counter"})
    amended()
    assert "amended" in bench.read()["stop_reason"]
    assert "Frame is at the counter" in bench.read()["stop_reason"]


def test_nobody_elses_job_is_stopped(bench, api, clerk, world, amended):
    other = prescribe(world.customer)
    assert isinstance(other.eyes.first(), PrescribedEye)
    Order.objects.everywhere("test").update(prescription=other)
    amended()
    assert bench.read()["state"] == "open"


def test_the_frame_is_switched_after_edging(api, manager, bench, order, world):
    """Another frame needs its own heights; the cut lenses are lost at the patient's cost; the old frame goes back."""
    other = FrameFactory(box_width_mm=Decimal("48"))
    receive(world.branch, stock.frame_item_ensure(other), 1)
    bench.verify()
    bench.work("mark_up", "trace", "block", "edge")
    client, url = api(manager), f"{ORDERS}{order['id']}/replace/"
    body = {"frame": str(other.id), "reason": "Prefers the smaller frame", "cause": "frame_changed"}
    refused(client.post(url, body), 409, "orders.heights_for_other_frame")
    assert Order.objects.everywhere("test").get().state == "in_workshop"
    again = measure(world.customer, frame=other)
    placed = client.post(url, {**body, "measurement": str(again.id)})
    assert placed.status_code == 201, placed.content
    assert placed.json()["frame"] == str(other.id)
    assert dict(reservations(order["id"])) == {"frame": "released", "left": "written_off", "right": "written_off"}
    assert sorted(reservations(placed.json()["id"])) == [("frame", "active"), ("left", "active"), ("right", "active")]
    outbox.deliver_all()
    assert {row.borne_by for row in Breakage.objects.all()} == {"patient"}
    assert not ledger_differences()


def test_a_replacement_that_cannot_be_placed_leaves_the_former_as_it_was(api, manager, bench, order, world):
    other = FrameFactory()
    again = measure(world.customer, frame=other)
    before = OutboxEvent.objects.count()
    body = {"frame": str(other.id), "measurement": str(again.id), "reason": "x"}
    refused(api(manager).post(f"{ORDERS}{order['id']}/replace/", body), 409, "orders.not_in_stock")
    assert Order.objects.everywhere("test").get().state == "in_workshop"
    assert {state for _, state in reservations(order["id"])} == {"active"}
    assert OutboxEvent.objects.count() == before


def test_only_who_may_cancel_replaces(api, clerk, outsider, bench, order):
    url = f"{ORDERS}{order['id']}/replace/"
    assert api(clerk).post(url, {"reason": "x"}).status_code == 403
    assert api(outsider).post(url, {"reason": "x"}).status_code == 404
    assert Order.objects.everywhere("test").count() == 1


@pytest.fixture
def finished(bench):
    make(bench)
    return bench


def test_a_pair_is_made_again_at_another_branch(api, finished, order, quay, world, hand):
    """Lenses from the stock of the branch that makes it; the frame and the order stay where they were."""
    for sphere, cylinder in (("-4.00", "-1.00"), ("-4.50", "0.00")):
        receive(quay, stock.lens_item_ensure(world.lens, Decimal(sphere), Decimal(cylinder)), 1)
    body = {"order": order["id"], "remake_reason": "Not centred", "cause": "off_centre", "branch": str(quay.id)}
    refused(api(hand).post(JOBS, body), 404, "core.not_found")
    both = member("both", "workshop", world.branch)
    Membership.objects.create(user=both, role="counter", branch=quay)
    assert api(both).post(JOBS, body).status_code == 403
    Membership.objects.create(user=both, role="workshop", branch=quay)
    made = api(both).post(JOBS, body)
    assert made.status_code == 201, made.content
    job = made.json()
    assert (job["branch"], job["number"], job["attempt"]) == (str(quay.id), "QUAY-J-2026-00001", 2)
    assert (job["remake_cause"], job["remake_borne_by"], job["remake_cost"]) == ("off_centre", "workshop", "8.00")
    assert [row[1:] for row in on_hand("lens", quay)] == [(1, 1), (1, 1)]
    assert [row[1:] for row in on_hand("lens", world.branch)] == [(1, 0), (1, 0)]
    assert [row[1:] for row in on_hand("frame")] == [(1, 1)]
    there = member("there", "workshop", quay)
    make(Bench(api(there), job["id"]))
    assert Order.objects.everywhere("test").get().state == "ready"
    order_collect(actor=system("test"), order=Order.objects.everywhere("test").get())
    assert [row[1:] for row in on_hand("lens", quay)] == [(0, 0), (0, 0)]
    assert [row[1:] for row in on_hand("frame")] == [(0, 0)]
    assert not ledger_differences()


def test_an_uncut_lens_is_taken_from_where_the_pair_is_made(api, bench, order, quay, world, hand):
    """Given up before cutting: what was reserved at the first branch goes back there."""
    for sphere, cylinder in (("-4.00", "-1.00"), ("-4.50", "0.00")):
        receive(quay, stock.lens_item_ensure(world.lens, Decimal(sphere), Decimal(cylinder)), 1)
    bench.done("cancel", {"reason": "Edger is out of order"})
    Membership.objects.create(user=hand, role="workshop", branch=quay)
    body = {"order": order["id"], "remake_reason": "Edger is out of order", "branch": str(quay.id)}
    made = api(hand).post(JOBS, body)
    assert (made.status_code, made.json()["state"], made.json()["remake_cost"]) == (201, "open", None)
    assert [row[1:] for row in on_hand("lens", world.branch)] == [(2, 0), (2, 0)]
    assert [row[1:] for row in on_hand("lens", quay)] == [(1, 1), (1, 1)]
    Order.objects.everywhere("test").get()


def test_cancelling_gives_back_what_lies_at_both_branches(api, bench, order, quay, world, hand, manager):
    test_an_uncut_lens_is_taken_from_where_the_pair_is_made(api, bench, order, quay, world, hand)
    assert api(manager).post(f"{ORDERS}{order['id']}/cancel/", {"reason": "Moved away"}).status_code == 200
    assert [row[1:] for row in on_hand("lens", quay)] == [(1, 0), (1, 0)]
    assert [row[1:] for row in on_hand("frame")] == [(1, 0)]


def test_a_frame_lost_on_the_bench_is_replaced_from_the_drawer(bench, order, world):
    receive(world.branch, stock.frame_item_ensure(world.frame), 1)
    bench.verify()
    bench.work("mark_up", "trace", "block", "edge", "hand_edge")
    bench.done("steps/glaze/start")
    lost = bench.done("break-frame", {"step": "glaze", "reason": "Bridge snapped", "borne_by": "supplier"})
    assert (lost["eye"], lost["cause"], lost["borne_by"]) == ("frame", "frame_snapped", "supplier")
    assert (lost["replaced"], lost["cost"], lost["job"]["state"]) == (True, "4.00", "open")
    states = {step["kind"]: step["state"] for step in bench.read()["steps"]}
    assert (states["edge"], states["glaze"]) == ("done", "pending")
    assert [row for row in reservations(order["id"]) if row[0] == "frame"] == [
        ("frame", "written_off"),
        ("frame", "active"),
    ]
    bench.work("glaze")
    assert inspect(bench)["outcome"] == "pass"


def test_with_no_other_frame_the_job_waits_for_one(bench, world):
    bench.verify()
    bench.work("mark_up", "trace")
    lost = bench.done("break-frame", {"step": "trace", "reason": "Rim cracked"})
    assert (lost["replaced"], lost["job"]["state"], lost["job"]["awaits_frame"]) == (False, "waiting", True)
    assert lost["job"]["next"] == {"words": "Wait for the frame.", "step": None, "requests": ["frame-arrived"]}
    refused(bench.post("frame-arrived"), 409, "stock.out_of_stock")
    refused(bench.post("break-frame", {"step": "trace", "reason": "x"}), 409, "workshop.not_on_the_bench")
    receive(world.branch, stock.frame_item_ensure(world.frame), 1)
    assert bench.done("frame-arrived")["state"] == "open"
    refused(bench.post("frame-arrived"), 409, "workshop.no_frame_awaited")
    assert bench.read()["next"]["step"] == "trace"


def test_the_customers_own_frame_is_in_no_stock(bench):
    Order.objects.everywhere("test").update(frame_is_customers=True)
    lost = bench.done("break-frame", {"step": "glaze", "reason": "Old rim gave way", "borne_by": "patient"})
    assert (lost["cost"], lost["replaced"], lost["job"]["state"]) == (None, False, "stopped")
    assert "Ask the customer" in lost["job"]["stop_reason"]
    assert on_hand("frame")[0][1] == 1


def test_a_frame_and_a_lens_are_both_waited_for(bench, world):
    bench.done("break-frame", {"step": "verify", "reason": "Fell"})
    Job.objects.everywhere("test").update(awaited_eyes=["left"])
    receive(world.branch, stock.frame_item_ensure(world.frame), 1)
    assert bench.done("frame-arrived")["state"] == "waiting"


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("break-lens", {"eye": "left", "step": "edge", "reason": "x", "cause": "moon"}, 400),
        ("break-lens", {"eye": "left", "step": "edge", "reason": "x", "borne_by": "nobody"}, 400),
        ("break-frame", {"step": "moon", "reason": "x"}, 400),
        ("break-frame", {"step": "edge"}, 400),
    ],
)
def test_causes_and_bearers_are_those_of_the_table(bench, path, body, status):
    assert bench.post(path, body).status_code == status
    assert not Breakage.objects.exists()


def test_every_cause_says_where_it_belongs_and_who_usually_bears_it(api, hand, outsider):
    shown = api(hand).get(f"{JOBS}causes/").json()["causes"]
    assert [cause["key"] for cause in shown] == list(CAUSES)
    assert all(cause["where"] and cause["usually"] in Bearer.values and cause["source"] for cause in shown)
    assert {"axis_off", "chipped"} <= {key for key, _ in choices(Where.BENCH)}
    assert "chipped" not in {key for key, _ in choices(Where.RETURN)}


def test_frames_are_broken_by_the_workshop_of_the_branch(bench, api, clerk, outsider):
    body = {"step": "glaze", "reason": "x"}
    assert api(clerk).post(f"{bench.url}break-frame/", body).status_code == 403
    assert api(outsider).post(f"{bench.url}break-frame/", body).status_code == 404
    assert not Breakage.objects.exists()


def test_the_pair_of_a_second_order_is_placed_as_before(api, clerk, world):
    assert place(api(clerk), world)["replaces"] is None
