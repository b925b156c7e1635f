"""Lenses on the bench: read before they are cut, written off when broken, replaced or waited for.

Limits are those of ISO 8980-1:2017 for uncut lenses as the plugin carries them (same power grid as ISO 21987 Table 1,
axis table of its own; from memory, unconfirmed). Ordered: right -4.00 / -1.00 x 170, left -4.50.
"""

from __future__ import annotations

import pytest

from opticshop.stock.models import Movement, Reservation
from opticshop.workshop.models import Job, LensReading
from tests.workshop.conftest import GOOD, events_of

pytestmark = pytest.mark.django_db


def right(sphere="-4.00", cylinder="-1.00", axis=170):
    return {"eye": "right", "sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}


@pytest.mark.parametrize(
    ("reading", "outcome"),
    [
        (right("-4.12"), "pass"),  # meridian limit 0.12 for highest power 5.00, inclusive
        (right("-4.13"), "fail"),
        (right(cylinder="-1.12"), "pass"),  # cylinder limit 0.12 for highest power 5.00, cylinder 1.00
        (right("-3.95", "-1.13"), "fail"),
        (right(axis=173), "pass"),  # uncut axis limit 3 degrees for cylinders over 0.75 to 1.50
        (right(axis=174), "fail"),
        (right("-5.00", "1.00", 80), "pass"),  # the exact plus-cylinder transposition
    ],
)
def test_an_uncut_lens_is_judged_by_the_branchs_standard(bench, reading, outcome):
    answer = bench.done("verify", reading)
    assert answer["outcome"] == outcome
    assert answer["standard"] == "iso-8980-2017"
    assert answer["standard_version"]
    assert answer["verdict"]["standard_title"].startswith("ISO 8980-1")
    assert all(line["clause"] for line in answer["verdict"]["lines"] if line["outcome"] in {"pass", "fail"})
    assert answer["job"]["state"] == ("open" if outcome == "pass" else "stopped")


def test_a_power_variation_lens_is_judged_by_its_own_part_of_the_standard(bench, world):
    world.lens.kind = "power_variation"
    world.lens.save()
    assert bench.done("verify", right())["verdict"]["standard_title"].startswith("ISO 8980-2")


def test_a_lens_out_of_tolerance_stops_the_job_and_says_why(bench):
    answer = bench.done("verify", right(axis=174))
    reason = answer["job"]["stop_reason"]
    for fact in ("Right lens", "cylinder axis", "off by 4", "limit of 3", "8980"):
        assert fact in reason
    assert bench.post("verify", right()).json()["code"] == "workshop.not_on_the_bench"
    bench.done("resume", {"note": "Lens was turned in the holder"})
    assert bench.done("verify", right())["outcome"] == "pass"
    assert [reading.outcome for reading in LensReading.objects.order_by("id")] == ["fail", "pass"]
    assert [event["state"] for event in events_of("workshop.lens_read")] == ["stopped", "open"]


def test_the_latest_reading_of_a_lens_counts(bench):
    bench.done("verify", {"eye": "right", **GOOD["right"]})
    bench.done("verify", {"eye": "left", **GOOD["left"]})
    bench.done("verify", right(axis=174))
    bench.done("resume", {"note": "Look again"})
    assert bench.post("steps/verify/finish").json()["eyes"] == ["right"]


def test_a_reading_starts_the_verify_step_and_closed_verification_takes_no_more(bench):
    bench.done("verify", right())
    [verify] = [step for step in bench.read()["steps"] if step["kind"] == "verify"]
    assert (verify["state"], verify["started_by_name"]) == ("started", "Hand")
    bench.done("verify", {"eye": "left", **GOOD["left"]})
    bench.done("steps/verify/finish")
    assert bench.post("verify", right()).json()["code"] == "workshop.step_out_of_order"


def test_without_its_standard_nothing_is_recorded(bench, mill):
    mill.uncut_standard = "not-installed"
    mill.save()
    response = bench.post("verify", right())
    assert (response.status_code, response.json()["code"]) == (409, "pluginhost.not_available")
    assert not LensReading.objects.exists()
    assert not events_of("workshop.lens_read")
    assert bench.job.steps.get(kind="verify").state == "pending"


def test_a_reading_repeated_with_its_key_is_recorded_once(bench):
    first = bench.post("verify", right(), headers={"Idempotency-Key": "r-1"})
    again = bench.post("verify", right(), headers={"Idempotency-Key": "r-1"})
    assert (again.status_code, again.json()) == (201, first.json())
    assert LensReading.objects.count() == 1


def test_a_broken_lens_is_written_off_and_another_reserved_at_once(bench, order):
    bench.verify()
    bench.work("mark_up", "trace", "block")
    bench.done("steps/edge/start")
    lost = bench.done("break-lens", {"eye": "left", "step": "edge", "reason": "Chipped at the nasal edge"})
    assert lost["replaced"] is True
    assert lost["job"]["state"] == "open"
    document = f"orders/{order['id']}"
    left = Reservation.objects.everywhere("test").filter(document=document, part="left").order_by("id")
    assert [row.state for row in left] == ["written_off", "active"]
    write_off = Movement.objects.everywhere("test").get(kind="write_off")
    assert (write_off.on_hand_change, write_off.document) == (-1, document)
    assert "Chipped" in write_off.reason
    assert events_of("workshop.lens_broken")[0]["eye"] == "left"


def test_after_a_breakage_the_work_begins_again_and_only_that_lens_is_read_again(bench):
    bench.verify()
    bench.work("mark_up", "trace")
    bench.done("break-lens", {"eye": "left", "step": "trace", "reason": "Dropped"})
    steps = {step["kind"]: step for step in bench.read()["steps"]}
    assert {step["state"] for step in steps.values()} == {"pending"}
    assert steps["verify"]["note"] == "Again: left lens lost at trace: Dropped"
    assert steps["block"]["note"] == ""
    bench.done("steps/verify/start")
    assert bench.post("steps/verify/finish").json()["eyes"] == ["left"]
    bench.done("verify", {"eye": "left", **GOOD["left"]})
    bench.done("steps/verify/finish")
    current = {(row.eye, row.of_current_lens) for row in LensReading.objects.all()}
    assert current == {("right", True), ("left", False), ("left", True)}


def test_with_no_other_lens_in_the_drawer_the_job_waits_for_one(bench, world):
    for _ in range(2):
        lost = bench.done("break-lens", {"eye": "left", "step": "edge", "reason": "Chipped"})
    assert lost["replaced"] is False
    assert (lost["job"]["state"], lost["job"]["awaited_eyes"]) == ("waiting", ["left"])
    for path, body, code in (
        ("break-lens", {"eye": "left", "step": "edge", "reason": "x"}, "workshop.not_on_the_bench"),
        ("lenses-arrived", {}, "stock.out_of_stock"),
    ):
        response = bench.post(path, body)
        assert (response.status_code, response.json()["code"]) == (409, code)
    world.stock_lens("-4.50", "0.00", 1)
    assert bench.done("lenses-arrived")["state"] == "open"
    active = Reservation.objects.everywhere("test").filter(state="active")
    assert sorted(active.values_list("part", flat=True)) == ["frame", "left", "right"]
    bench.verify()


def test_a_lens_lost_while_the_job_is_stopped_is_awaited_when_it_resumes(bench):
    bench.done("stop", {"reason": "Frame is at the counter"})
    for _ in range(2):
        bench.done("break-lens", {"eye": "right", "step": "verify", "reason": "Fell"})
    job = bench.read()
    assert (job["state"], job["awaited_eyes"]) == ("stopped", ["right"])
    assert bench.post("break-lens", {"eye": "right", "step": "verify", "reason": "x"}).json()["code"] == (
        "workshop.no_lens_there"
    )
    assert bench.done("resume", {"note": "Frame is back"})["state"] == "waiting"


def test_a_lens_lost_after_the_inspection_stops_the_job(bench):
    Job.objects.everywhere("test").update(state="inspected")
    lost = bench.done("break-lens", {"eye": "left", "step": "set_up", "reason": "Cracked when bending"})
    assert lost["job"]["state"] == "stopped"
    assert lost["job"]["stop_reason"] == "Left lens lost at set_up: Cracked when bending"


def test_nothing_is_left_half_done_when_a_breakage_cannot_be_booked(bench, order):
    from opticshop.core.actor import system
    from opticshop.stock import services as stock

    stock.stock_release(actor=system("test"), branch=bench.job.branch, document=f"orders/{order['id']}", reason="x")
    response = bench.post("break-lens", {"eye": "left", "step": "edge", "reason": "Chipped"})
    assert (response.status_code, response.json()["code"]) == (409, "stock.nothing_reserved")
    assert not bench.job.breakages.exists()
    assert not events_of("workshop.lens_broken")
