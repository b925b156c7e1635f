"""The jobs board: what is to be done now, who holds what, passing on, undoing, and finding a job by its tray."""

from __future__ import annotations

import datetime as dt
import uuid
from itertools import pairwise

import pytest
from rest_framework.test import APIClient

from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from opticshop.stock import services as stock
from opticshop.workshop.board import COLUMNS
from opticshop.workshop.models import Bench as BenchRow
from opticshop.workshop.models import Job
from tests.conftest import NOON, member
from tests.orders.conftest import receive
from tests.workshop.conftest import JOBS, Bench, events_of, place

pytestmark = pytest.mark.django_db
BOARD, BENCHES = f"{JOBS}board/", "/api/v1/benches/"


def refused(response, status, code):
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    return response.json()


@pytest.fixture
def drawer(world):
    """Enough in stock for five pairs."""
    receive(world.branch, stock.frame_item_ensure(world.frame), 5)
    world.stock_lens("-4.00", "-1.00", 8)
    world.stock_lens("-4.50", "0.00", 8)


@pytest.fixture
def placed(drawer, api, clerk, hand, world):
    """Places an order promised for a day; answers its bench."""

    def make(day: str = "2026-03-05") -> Bench:
        order = place(api(clerk), world, promised_on=day)
        return Bench(api(hand), str(Job.objects.everywhere("test").get(order_id=order["id"]).id))

    return make


@pytest.fixture
def priya(mill):
    return member("priya", "workshop", mill)


def columns(client, query=""):
    board = client.get(f"{BOARD}{query}")
    assert board.status_code == 200, board.content
    return {column["key"]: [row["number"] for row in column["rows"]] for column in board.json()["columns"]}


def test_the_board_has_a_column_for_every_step_and_the_most_pressing_job_on_top(placed, api, hand):
    late, soon, later = placed("2026-03-10"), placed("2026-03-03"), placed("2026-03-06")
    late.verify()
    late.work("mark_up")
    soon.done("stop", {"reason": "Frame is at the counter"})
    found = columns(api(hand))
    assert list(found) == ["waiting", "stopped", *[key for key, _ in COLUMNS[2:]]]
    assert found["trace"] == [late.job.number]
    assert found["stopped"] == [soon.job.number]
    assert found["verify"] == [later.job.number]
    placed("2026-03-04")
    verify = next(c for c in api(hand).get(BOARD).json()["columns"] if c["key"] == "verify")
    days = [row["promised_on"] for row in verify["rows"]]
    assert all(first <= second for first, second in pairwise(days))


def test_late_is_computed_from_the_promise_and_the_day_of_the_branch(placed, api, hand, mill):
    bench = placed("2026-03-03")
    assert (api(hand).get(BOARD).json()["late"], bench.read()["is_late"]) == (0, False)
    with clock.at(NOON + dt.timedelta(days=1)):
        board = api(hand).get(BOARD).json()
        assert (board["late"], board["due_today"], board["day"]) == (0, 1, "2026-03-03")
    with clock.at(NOON + dt.timedelta(days=2)):
        board = api(hand).get(BOARD).json()
        assert (board["late"], bench.read()["is_late"]) == (1, True)
        row = next(c for c in board["columns"] if c["key"] == "verify")["rows"][0]
        assert (row["is_late"], row["days_left"]) == (True, -1)
        refused(bench.post("stop", {"reason": "x", "is_late": False}), 400, "core.malformed")
    # At noon UTC of 3 March it is already 4 March on Kiritimati (UTC+14).
    mill.time_zone = "Pacific/Kiritimati"
    mill.save()
    with clock.at(NOON + dt.timedelta(days=1)):
        assert api(hand).get(BOARD).json()["late"] == 1


def test_what_is_finished_or_given_up_is_not_on_the_board(placed, api, hand):
    bench = placed()
    bench.done("cancel", {"reason": "Given up"})
    assert not any(columns(api(hand)).values())


def test_a_board_costs_the_same_for_one_job_and_for_four(placed, api, hand, queries):
    client = api(hand)
    placed().done("claim")
    one = queries(lambda: client.get(BOARD))
    for _ in range(3):
        placed().done("claim")
    assert queries(lambda: client.get(BOARD)) == one
    assert client.get(BOARD).json()["shown"] == 4


def test_who_works_at_several_branches_says_which(placed, api, head_office, outsider, mill, quay):
    bench = placed()
    refused(api(head_office).get(BOARD), 422, "workshop.branch_not_said")
    assert columns(api(head_office), f"?branch={mill.id}")["verify"] == [bench.job.number]
    assert not any(columns(api(head_office), f"?branch={quay.id}").values())
    assert not any(columns(api(outsider)).values())
    assert api(outsider).get(f"{BOARD}?branch={mill.id}").status_code == 404
    assert api(outsider).get(f"{BOARD}?branch={uuid.uuid4()}").status_code == 404
    refused(api(head_office).get(f"{BOARD}?shelf=3"), 400, "core.malformed")


def test_the_first_to_begin_has_the_job_in_hand(placed, hand, priya, api):
    bench = placed()
    bench.done("steps/verify/start")
    job = bench.read()
    assert (job["holder"], job["holder_name"]) == (str(hand.id), "Hand")
    bench.verify()
    other = Bench(api(priya), bench.job_id)
    problem = refused(other.post("steps/mark_up/start"), 409, "workshop.held_by_another")
    assert problem["holder"] == str(hand.id)
    assert "Hand has job" in problem["detail"]
    refused(other.post("claim"), 409, "workshop.held_by_another")
    refused(other.post("release"), 409, "workshop.held_by_another")
    assert other.done("claim", {"take_over": True})["holder"] == str(priya.id)
    assert events_of("workshop.job_claimed")[-1]["taken_over_from"] == str(hand.id)
    other.work("mark_up")
    assert columns(api(priya), "?mine=true")["trace"] == [bench.job.number]
    assert not any(columns(api(hand), "?mine=true").values())


def test_a_job_is_put_down_and_taken_up(placed, api, hand, priya):
    bench = placed()
    refused(bench.post("release"), 409, "workshop.not_held")
    bench.done("claim")
    assert bench.done("release", {"note": "Adhesive sets"})["holder"] is None
    assert events_of("workshop.job_released")[0]["note"] == "Adhesive sets"
    assert Bench(api(priya), bench.job_id).done("claim")["holder_name"] == "Priya"


def test_four_trays_are_handed_to_another_person_at_once(placed, api, hand, priya, manager):
    benches = [placed() for _ in range(4)]
    for bench in benches:
        bench.done("claim")
    body = {"jobs": [bench.job_id for bench in benches], "person": str(priya.id), "note": "Lunch"}
    response = api(hand).post(f"{JOBS}hand-on/", body)
    assert response.status_code == 200, response.content
    assert {job["holder_name"] for job in response.json()["jobs"]} == {"Priya"}
    handed = events_of("workshop.job_handed_on")
    assert [(e["handed_on_from"], e["holder"], e["note"]) for e in handed] == [
        (str(hand.id), str(priya.id), "Lunch")
    ] * 4


def test_jobs_lie_at_benches_and_move_between_them(placed, api, hand, manager, mill):
    made = api(manager).post(BENCHES, {"branch": str(mill.id), "code": "edge", "name": "Edging"})
    assert made.status_code == 201, made.content
    glaze = api(manager).post(BENCHES, {"branch": str(mill.id), "code": "GLAZE", "name": "Glazing"}).json()
    one, two = placed(), placed()
    assert one.done("claim", {"bench": made.json()["id"]})["bench_code"] == "EDGE"
    two.done("claim", {"bench": made.json()["id"]})
    assert columns(api(hand), f"?bench={made.json()['id']}")["verify"] == [one.job.number, two.job.number]
    api(hand).post(f"{JOBS}hand-on/", {"jobs": [one.job_id], "bench": glaze["id"]})
    assert (one.read()["bench_code"], one.read()["holder_name"]) == ("GLAZE", "Hand")
    assert columns(api(hand), f"?bench={made.json()['id']}")["verify"] == [two.job.number]


def test_handing_on_is_all_or_nothing(placed, api, hand, clerk, outsider, priya, quay, mill):
    one, two = placed(), placed()
    elsewhere = BenchRow.objects.create(branch=quay, code="Q", name="Quay")
    closed = BenchRow.objects.create(branch=mill, code="OLD", name="Old", is_active=False)
    jobs = [one.job_id, two.job_id]
    before = OutboxEvent.objects.count()
    client, url = api(hand), f"{JOBS}hand-on/"
    refused(client.post(url, {"jobs": jobs}), 422, "workshop.hand_on_to_nobody")
    refused(client.post(url, {"jobs": jobs, "bench": str(elsewhere.id)}), 422, "workshop.bench_elsewhere")
    refused(client.post(url, {"jobs": jobs, "bench": str(closed.id)}), 422, "workshop.bench_elsewhere")
    refused(client.post(url, {"jobs": jobs, "person": str(clerk.id)}), 422, "workshop.person_cannot_work")
    refused(client.post(url, {"jobs": jobs, "person": str(outsider.id)}), 404, "core.not_found")
    refused(client.post(url, {"jobs": [*jobs, str(uuid.uuid4())], "person": str(priya.id)}), 404, "core.not_found")
    refused(client.post(url, {"jobs": [], "person": str(priya.id)}), 400, "core.malformed")
    assert api(clerk).post(url, {"jobs": jobs, "person": str(priya.id)}).status_code == 403
    assert api(outsider).post(url, {"jobs": jobs, "person": str(outsider.id)}).status_code == 404
    Job.objects.everywhere("test").filter(id=two.job_id).update(state="cancelled")
    refused(client.post(url, {"jobs": jobs, "person": str(priya.id)}), 409, "workshop.not_on_the_bench")
    assert not Job.objects.everywhere("test").exclude(holder=None).exists()
    assert OutboxEvent.objects.count() == before


def test_after_the_inspection_anybody_may_go_on(bench, api, manager):
    from opticshop.core.actor import system
    from opticshop.workshop import services

    bench.to_inspection()
    assert bench.read()["holder_name"] == "Hand"
    services.job_mark_inspected(actor=system("test"), job=bench.job)
    assert bench.read()["holder"] is None
    other = Bench(api(manager), bench.job_id)
    other.work("set_up", "pack")
    assert other.read()["holder"] is None


def test_the_scanned_tray_label_finds_the_job(bench, api, outsider, hand):
    number = bench.job.number
    for code in (number, number.lower()):
        assert api(hand).get(f"{JOBS}by-tray/{code}/").json()["id"] == bench.job_id
        assert [job["id"] for job in api(hand).get(JOBS, {"tray": f" {code}"}).json()["results"]] == [bench.job_id]
    assert bench.read()["tray_code"] == number
    refused(api(hand).get(f"{JOBS}by-tray/MILL-J-2026-99999/"), 404, "core.not_found")
    refused(api(outsider).get(f"{JOBS}by-tray/{number}/"), 404, "core.not_found")
    assert api(outsider).get(JOBS, {"tray": number}).json()["results"] == []


def test_the_last_step_is_taken_back_by_who_closed_it(bench, api, manager):
    bench.verify()
    bench.work("mark_up")
    refused(Bench(api(manager), bench.job_id).post("undo", {"reason": "x"}), 409, "workshop.undo_by_another")
    refused(bench.post("undo", {}), 400, "core.malformed")
    job = bench.done("undo", {"reason": "Wrong tray"})
    [step] = [step for step in job["steps"] if step["kind"] == "mark_up"]
    assert (step["state"], step["done_at"], step["by"], step["note"]) == ("started", None, None, "Undone: Wrong tray")
    assert job["next"]["step"] == "mark_up"
    [undone] = events_of("workshop.step_undone")
    assert (undone["step"], undone["reason"], undone["state"]) == ("mark_up", "Wrong tray", "started")
    bench.done("steps/mark_up/finish")
    bench.done("steps/trace/skip", {"note": "Edged by the supplier"})
    job = bench.done("undo", {"reason": "It was not"})
    assert job["next"]["requests"] == ["steps/trace/start", "steps/trace/skip"]


def test_a_step_is_undone_within_a_quarter_of_an_hour(bench):
    bench.verify()
    with clock.at(NOON + dt.timedelta(minutes=15, seconds=1)):
        refused(bench.post("undo", {"reason": "x"}), 409, "workshop.undo_too_late")
    with clock.at(NOON + dt.timedelta(minutes=15)):
        assert bench.done("undo", {"reason": "x"})["next"]["step"] == "verify"


def test_nothing_is_undone_that_something_has_come_of(bench):
    refused(bench.post("undo", {"reason": "x"}), 409, "workshop.nothing_to_undo")
    bench.verify()
    bench.done("steps/mark_up/start")
    refused(bench.post("undo", {"reason": "x"}), 409, "workshop.nothing_to_undo")
    bench.done("steps/mark_up/finish")
    bench.done("stop", {"reason": "Frame is at the counter"})
    refused(bench.post("undo", {"reason": "x"}), 409, "workshop.nothing_to_undo")
    assert not events_of("workshop.step_undone")


def test_a_lens_that_was_cut_stays_cut_when_the_step_is_undone(bench):
    bench.verify()
    bench.work("mark_up", "trace", "block", "edge")
    bench.done("undo", {"reason": "Not yet the second eye"})
    assert bench.read()["cut_eyes"] == ["right", "left"]


def test_after_a_power_cut_in_the_middle_everything_is_where_it_was(bench, api, hand):
    """State is rows only: whoever reads next, from any machine, sees the step that was going on and in whose hand."""
    bench.verify()
    bench.work("mark_up", "trace", "block")
    bench.done("steps/edge/start", {"note": "First eye"})
    before = bench.read()
    client = APIClient()
    client.force_authenticate(type(hand).objects.get(id=hand.id))
    after = client.get(bench.url).json()
    assert after == before
    assert after["next"] == {
        "words": "Going on: Edge.",
        "step": "edge",
        "requests": ["steps/edge/finish", "steps/edge/skip"],
    }
    row = next(c for c in client.get(BOARD).json()["columns"] if c["key"] == "edge")["rows"][0]
    assert (row["step_state"], row["started_by_name"], row["holder_name"]) == ("started", "Hand", "Hand")
    assert row["started_at"] == NOON.isoformat().replace("+00:00", "Z")
    Bench(client, bench.job_id).done("steps/edge/finish")


def test_a_write_that_fails_midway_leaves_the_step_as_it_was(bench, monkeypatch):
    """The power goes after the step was written and before its event: neither is there afterwards."""
    from opticshop.workshop.services import steps

    bench.verify()

    def gone(*args, **kwargs):
        raise RuntimeError("power cut")

    monkeypatch.setattr(steps, "record", gone)
    assert bench.post("steps/mark_up/start").status_code == 500
    monkeypatch.undo()
    assert bench.read()["next"]["requests"] == ["steps/mark_up/start", "steps/mark_up/skip"]


def test_benches_are_set_up_by_the_manager_and_seen_by_their_branch(api, manager, hand, outsider, mill, quay):
    body = {"branch": str(mill.id), "code": "EDGE", "name": "Edging"}
    assert api(hand).post(BENCHES, body).status_code == 403
    assert api(outsider).post(BENCHES, body).status_code == 404
    made = api(manager).post(BENCHES, body)
    assert made.status_code == 201
    refused(api(manager).post(BENCHES, body), 409, "workshop.bench_code_taken")
    refused(api(manager).post(BENCHES, {**body, "code": "A B"}), 400, "core.malformed")
    url = f"{BENCHES}{made.json()['id']}/"
    assert api(hand).get(url).json()["name"] == "Edging"
    assert api(outsider).get(url).status_code == 404
    assert api(outsider).get(BENCHES).json()["results"] == []
    refused(api(manager).patch(url, {"name": "x"}), 428, "core.precondition_required")
    changed = api(manager).patch(url, {"is_active": False}, headers={"If-Match": '"1"'})
    assert (changed.json()["is_active"], changed.json()["version"]) == (False, 2)
    refused(api(manager).patch(url, {"name": "x"}, headers={"If-Match": '"1"'}), 412, "core.version_mismatch")
    assert [e["code"] for e in events_of("workshop.bench_added")] == ["EDGE"]


def test_the_list_of_benches_costs_the_same_for_one_and_for_five(api, hand, mill, queries):
    client = api(hand)
    BenchRow.objects.create(branch=mill, code="0", name="x")
    one = queries(lambda: client.get(BENCHES))
    for n in range(1, 5):
        BenchRow.objects.create(branch=mill, code=str(n), name="x")
    assert queries(lambda: client.get(BENCHES)) == one


def test_overdue_jobs_are_told_longest_overdue_first(placed, mill, quay):
    from opticshop.workshop.selectors import overdue_jobs

    late, later, done = placed("2026-03-03"), placed("2026-03-04"), placed("2026-03-03")
    done.done("cancel", {"reason": "x"})
    placed("2026-03-06")
    day = dt.date(2026, 3, 5)
    assert [job.number for job in overdue_jobs(mill, day)] == [late.job.number, later.job.number]
    assert not overdue_jobs(mill, dt.date(2026, 3, 3)).exists()
    assert not overdue_jobs(quay, day).exists()
