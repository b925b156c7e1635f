"""A pair is made again by a further job, with fresh lenses and the reason."""

from __future__ import annotations

import pytest

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order
from opticshop.stock.models import Reservation
from opticshop.workshop import services
from opticshop.workshop.models import Job
from tests.workshop.conftest import JOBS, Bench

pytestmark = pytest.mark.django_db


def remake(bench, **body):
    return bench.client.post(JOBS, {"order": str(bench.job.order_id), **body})


@pytest.fixture
def finished(bench):
    bench.to_inspection()
    services.job_mark_inspected(actor=system("test"), job=bench.job)
    bench.work("set_up", "pack")
    return bench


def reservations(part):
    rows = Reservation.objects.everywhere("test").filter(part=part).order_by("id")
    return [row.state for row in rows]


def test_packing_finishes_the_job_and_makes_the_order_ready(finished):
    job = finished.read()
    assert (job["state"], job["allowed_moves"]) == ("finished", [])
    assert job["finished_at"]
    assert Order.objects.everywhere("test").get().state == "ready"
    types = list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))
    assert types[-2:] == ["orders.ready", "workshop.job_finished"]


def test_packing_needs_an_inspected_job(bench):
    bench.to_inspection()
    services.job_mark_inspected(actor=system("test"), job=bench.job)
    bench.work("set_up")
    bench.done("stop", {"reason": "Second thoughts about the bevel"})
    assert bench.post("steps/pack/start").json()["code"] == "workshop.step_out_of_order"
    job = bench.done("resume", {"note": "Looked at again"})
    assert (job["state"], job["next"]["step"]) == ("open", "inspect")
    assert Order.objects.everywhere("test").get().state == "in_workshop"


def test_a_remake_writes_off_the_made_lenses_and_reserves_fresh_ones(finished):
    response = remake(finished, remake_reason="Wearer cannot get used to it")
    assert response.status_code == 201, response.content
    job = response.json()
    assert (job["attempt"], job["state"], job["eyes"]) == (2, "open", ["right", "left"])
    assert job["remake_reason"] == "Wearer cannot get used to it"
    assert {step["state"] for step in job["steps"]} == {"pending"}
    assert reservations("right") == reservations("left") == ["written_off", "active"]
    assert reservations("frame") == ["active"]
    assert Order.objects.everywhere("test").get().state == "in_workshop"


def test_one_lens_can_be_made_again_alone(finished):
    job = remake(finished, remake_reason="Left lens scratched", eyes=["left"]).json()
    assert job["eyes"] == ["left"]
    assert reservations("right") == ["active"]
    assert reservations("left") == ["written_off", "active"]
    second = Bench(finished.client, job["id"])
    response = second.post("verify", {"eye": "right", "sphere_dpt": "-4.00", "cylinder_dpt": "-1.00", "axis_deg": 170})
    assert (response.status_code, response.json()["code"]) == (422, "workshop.eye_not_in_job")
    second.verify("left")


def test_a_remake_after_collection_takes_new_lenses_from_the_drawer(finished):
    from opticshop.orders.services import order_collect

    order_collect(actor=system("test"), order=finished.job.order)
    job = remake(finished, remake_reason="Prescription was mistaken").json()
    assert job["state"] == "open"
    assert reservations("left") == ["consumed", "active"]
    assert Order.objects.everywhere("test").get().state == "in_workshop"


def test_a_remake_without_a_lens_in_the_drawer_waits(finished):
    remake(finished, remake_reason="Scratched", eyes=["left"])
    second = Bench(finished.client, str(Job.objects.everywhere("test").get(attempt=2).id))
    second.done("cancel", {"reason": "Given up"})
    Job.objects.everywhere("test").filter(attempt=2).update(cut_eyes=["left"])
    job = remake(finished, remake_reason="Chipped when cut").json()
    assert (job["attempt"], job["state"], job["awaited_eyes"]) == (3, "waiting", ["left"])


def test_a_job_given_up_before_cutting_leaves_its_lenses_for_the_next(bench):
    bench.verify()
    bench.done("cancel", {"reason": "Wrong ticket"})
    job = remake(bench, remake_reason="Opened again").json()
    assert (job["attempt"], job["state"]) == (2, "open")
    assert reservations("left") == reservations("right") == ["active"]


def test_a_job_given_up_while_cutting_leaves_nothing(bench):
    bench.verify()
    bench.work("mark_up", "trace", "block")
    bench.done("steps/edge/start")
    bench.done("cancel", {"reason": "Power failed in mid-cut"})
    remake(bench, remake_reason="Power failed in mid-cut")
    assert reservations("left") == ["written_off", "active"]


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        ({"remake_reason": "x"}, 409, "workshop.job_still_live"),
        ({"remake_reason": ""}, 400, "core.malformed"),
        ({"remake_reason": "x", "eyes": ["middle"]}, 400, "core.malformed"),
        ({}, 400, "core.malformed"),
    ],
)
def test_a_remake_is_refused_while_the_former_job_lives_or_without_a_reason(bench, body, status, code):
    events = OutboxEvent.objects.count()
    response = remake(bench, **body)
    assert (response.status_code, response.json()["code"]) == (status, code)
    assert Job.objects.everywhere("test").count() == 1
    assert OutboxEvent.objects.count() == events


def test_an_order_that_was_cancelled_is_not_made_again(api, manager, bench, order):
    from opticshop.core import outbox

    api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Moved away"})
    outbox.deliver_all()
    assert remake(bench, remake_reason="x").json()["code"] == "core.move_not_allowed"
    assert Job.objects.everywhere("test").count() == 1


def test_somebody_elses_order_cannot_be_made_again(api, outsider, finished):
    response = api(outsider).post(JOBS, {"order": str(finished.job.order_id), "remake_reason": "x"})
    assert response.status_code == 404
    assert Job.objects.everywhere("test").count() == 1


def test_a_lens_that_was_cut_stays_cut_when_the_work_begins_again(bench):
    bench.verify()
    bench.work("mark_up", "trace", "block", "edge")
    assert bench.read()["cut_eyes"] == ["right", "left"]
    bench.done("break-lens", {"eye": "left", "step": "hand_edge", "reason": "Flaked"})
    assert bench.read()["cut_eyes"] == ["right"]
    bench.done("cancel", {"reason": "Given up"})
    remake(bench, remake_reason="Begun again")
    assert reservations("right") == ["written_off", "active"]
    assert reservations("left") == ["written_off", "active"]
