"""The steps of the bench are taken in their order, with who and when."""

from __future__ import annotations

import pytest

from opticshop.core import outbox
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order
from opticshop.workshop.models import JOB_MOVES, ORDINARY_STEPS, Job, JobState
from tests.conftest import NOON
from tests.workshop.conftest import BEFORE_INSPECTION, events_of

pytestmark = pytest.mark.django_db


def refused(response, code, status=409):
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    assert response.json()["code"] == code
    return response.json()


def count_events():
    return OutboxEvent.objects.filter(type__startswith="workshop.").count()


@pytest.mark.parametrize("kind", [kind for kind in ORDINARY_STEPS if kind != "verify"])
def test_no_step_starts_before_the_one_before_it(bench, kind):
    before = count_events()
    problem = refused(bench.post(f"steps/{kind}/start"), "workshop.step_out_of_order")
    assert problem["errors"][0]["allowed"] == ["verify"]
    assert not bench.job.steps.exclude(state="pending").exists()
    assert count_events() == before


def test_who_and_when_are_recorded_for_the_start_and_the_end(api, bench, hand, manager):
    bench.verify()
    bench.done("steps/mark_up/start")
    response = api(manager).post(f"{bench.url}steps/mark_up/finish/", {"note": "Dots renewed"})
    [step] = [step for step in response.json()["steps"] if step["kind"] == "mark_up"]
    assert (step["started_by"], step["by"]) == (str(hand.id), str(manager.id))
    assert step["started_by_name"] == "Hand"
    assert step["done_at"] == step["started_at"] == NOON.isoformat().replace("+00:00", "Z")
    assert step["note"] == "Dots renewed"
    assert [event["step"] for event in events_of("workshop.step_finished")] == ["verify", "mark_up"]


def test_each_write_gives_the_job_a_new_etag(bench):
    first = bench.client.get(bench.url).headers["ETag"]
    assert bench.post("steps/verify/start").headers["ETag"] != first
    assert bench.client.get(bench.url, headers={"If-None-Match": first}).status_code == 200


def test_a_step_is_started_once_and_finished_only_after_it_was_started(bench):
    refused(bench.post("steps/verify/finish"), "workshop.step_not_started")
    bench.done("steps/verify/start")
    refused(bench.post("steps/verify/start"), "workshop.step_already_started")


def test_cutting_does_not_begin_before_both_lenses_have_a_passing_reading(bench):
    bench.done("verify", {"eye": "right", "sphere_dpt": "-4.00", "cylinder_dpt": "-1.00", "axis_deg": 170})
    problem = refused(bench.post("steps/verify/finish"), "workshop.lenses_not_verified")
    assert problem["eyes"] == ["left"]


def test_a_step_is_left_out_only_with_a_reason_and_only_where_that_is_possible(bench):
    bench.verify()
    bench.done("steps/mark_up/skip", {"note": "Marked by the supplier"})
    refused(bench.post("steps/trace/skip", {}), "core.malformed", 400)
    refused(bench.post("steps/trace/skip", {"note": "  "}), "core.malformed", 400)
    problem = refused(bench.post("steps/glaze/skip", {"note": "x"}), "workshop.step_cannot_be_skipped")
    assert "verify" not in problem["errors"][0]["allowed"]
    refused(bench.post("steps/edge/skip", {"note": "x"}), "workshop.step_out_of_order")
    states = {step.kind: step.state for step in bench.job.steps.all()}
    assert (states["mark_up"], states["trace"], states["glaze"]) == ("skipped", "pending", "pending")
    assert events_of("workshop.step_skipped")[0]["note"] == "Marked by the supplier"


def test_an_unknown_step_is_not_there(bench):
    problem = refused(bench.post("steps/polish/start"), "core.not_found", 404)
    assert "edge" in problem["errors"][0]["allowed"]


def test_the_inspection_step_is_closed_by_nothing_but_an_inspection(bench):
    bench.to_inspection()
    assert bench.read()["next"]["requests"] == ["inspections"]
    bench.done("steps/inspect/start")
    refused(bench.post("steps/inspect/finish"), "workshop.inspection_needed")
    refused(bench.post("steps/inspect/skip", {"note": "x"}), "workshop.step_cannot_be_skipped")
    for kind in ("set_up", "pack"):
        refused(bench.post(f"steps/{kind}/start"), "workshop.step_out_of_order")
    assert Order.objects.everywhere("test").get().state == "in_workshop"


def test_a_stopped_job_rests_until_it_is_resumed(bench):
    bench.verify()
    assert bench.done("stop", {"reason": "Traced at the wrong size"})["state"] == "stopped"
    refused(bench.post("steps/mark_up/start"), "workshop.not_on_the_bench")
    refused(bench.post("stop", {"reason": "Again"}), "core.move_not_allowed")
    job = bench.done("resume", {"note": "Counter gave the right size"})
    assert (job["state"], job["stop_reason"]) == ("open", "")
    bench.work("mark_up")
    assert events_of("workshop.job_resumed")[0]["note"] == "Counter gave the right size"


def test_resuming_a_job_that_is_not_stopped_names_the_moves_that_are_allowed(bench):
    problem = refused(bench.post("resume", {"note": "x"}), "core.move_not_allowed")
    assert problem["errors"][0]["allowed"] == ["cancelled", "inspected", "stopped", "waiting"]


#: What each request does to a job, from which states it is possible.
REQUESTS = {
    ("stop", "reason"): {"waiting": "stopped", "open": "stopped", "inspected": "stopped"},
    ("resume", "note"): {"stopped": "open"},
    ("cancel", "reason"): {
        "waiting": "cancelled",
        "open": "cancelled",
        "stopped": "cancelled",
        "inspected": "cancelled",
    },
}


@pytest.mark.parametrize("state", JobState.values)
@pytest.mark.parametrize("request_", sorted(REQUESTS))
def test_only_the_moves_of_the_table_are_made(bench, state, request_):
    path, field = request_
    Job.objects.everywhere("test").update(state=state, stop_reason="x" if state == "stopped" else "")
    before = count_events()
    response = bench.post(path, {field: "why"})
    wanted = REQUESTS[request_].get(state)
    if wanted is None:
        problem = refused(response, "core.move_not_allowed")
        assert problem["errors"][0]["allowed"] == sorted(JOB_MOVES[state])
        assert bench.job.state == state
        assert count_events() == before
    else:
        assert response.status_code == 200
        assert bench.job.state == wanted
        assert wanted in JOB_MOVES[state]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("stop", {"reason": ""}),
        ("resume", {}),
        ("verify", {"eye": "middle", "sphere_dpt": "1"}),
        ("verify", {"eye": "right", "sphere_dpt": "1.005"}),
        ("verify", {"eye": "right", "sphere_dpt": "1", "cylinder_dpt": "-1"}),
        ("verify", {"eye": "right", "sphere_dpt": "1", "axis_deg": 90}),
        ("verify", {"eye": "right", "sphere_dpt": "1", "cylinder_dpt": "-1", "axis_deg": 181}),
        ("verify", {"eye": "right", "sphere_dpt": "NaN"}),
        ("break-lens", {"eye": "right", "step": "polish", "reason": "x"}),
        ("break-lens", {"eye": "right", "step": "edge", "reason": "a\x00b"}),
        ("lenses-arrived", {"eyes": []}),
        ("steps/verify/start", {"who": "me"}),
    ],
)
def test_malformed_requests_write_nothing(bench, path, body):
    before = count_events()
    refused(bench.post(path, body), "core.malformed", 400)
    assert bench.job.version == 1
    assert count_events() == before


def test_everything_up_to_the_inspection_in_order(bench):
    bench.to_inspection()
    outbox.deliver_all()
    done = [step.kind for step in bench.job.steps.filter(state="done")]
    assert done == ["verify", *BEFORE_INSPECTION]
