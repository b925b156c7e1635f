"""The workshop's screen by Django's client: the scan, the next step by the services of the API, refusals in words."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from opticshop.audit.models import AuditRead
from opticshop.core.models import OutboxEvent
from opticshop.workshop.models import Job
from tests.alerts.conftest import a_job
from tests.conftest import NOON, member
from tests.signing_in import signed_in
from tests.workshop.conftest import Bench, bench, order, world

__all__ = ["bench", "order", "world"]
pytestmark = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("nothing_kept",)


def job_page(job: Job) -> str:
    return f"/bench/{job.branch.code}/jobs/{job.number}/"


def read(browser, path: str) -> str:
    response = browser.get(path)
    assert response.status_code == 200, response.content
    return response.content.decode()


def test_one_workshop_is_opened_at_once_and_several_are_listed(mill, quay, hand, head_office):
    assert signed_in(hand).get("/bench/")["Location"] == "/bench/MILL/"
    assert "/bench/QUAY/" in read(signed_in(head_office), "/bench/")


def test_the_board_shows_jobs_by_step_and_says_what_is_overdue(mill, hand):
    days = (NOON.date() - dt.timedelta(days=2), NOON.date(), NOON.date() + dt.timedelta(days=4))
    jobs = [a_job(mill, day) for day in days]
    for job in jobs:
        job.steps.create(position=1, kind="edge")
    page = read(signed_in(hand), "/bench/MILL/")
    assert "1 overdue" in page
    assert "1 due today" in page
    assert page.index("Overdue, promised for Sat 28 Feb") < page.index(">Due today<") < page.index("Due Fri 6 Mar")


@pytest.mark.parametrize("write", [str, str.lower, lambda number: f"  {number} "])
def test_a_scanned_tray_opens_its_job(mill, hand, bench: Bench, write):
    browser = signed_in(hand)
    response = browser.get("/bench/MILL/tray", {"code": write(bench.job.number)})
    assert response["Location"] == job_page(bench.job)
    page = read(browser, response["Location"])
    assert "Readings due: right and left lens." in page
    assert "-4.00" in page
    assert "170°" in page


@pytest.mark.parametrize("typed", ["9999", "", "\x00", "x" * 5000, "<b>"])
def test_a_label_that_is_no_job_leaves_the_board(mill, hand, typed):
    response = signed_in(hand).get("/bench/MILL/tray", {"code": typed})
    assert response.status_code == 404
    page = response.content.decode()
    assert 'role="alert"' in page
    assert 'id="scan-code"' in page
    assert "<b>" not in page.split("</main>")[0].replace("<b>J", "")


def test_a_tray_of_another_branch_is_no_tray_here(mill, quay, outsider, bench: Bench):
    browser = signed_in(outsider)
    response = browser.get("/bench/QUAY/tray", {"code": bench.job.number})
    assert response.status_code == 404
    assert browser.get(job_page(bench.job)).status_code == 404
    assert browser.get(f"/bench/QUAY/jobs/{bench.job.number}/").status_code == 404
    assert browser.post(f"{job_page(bench.job)}verify/start/").status_code == 404
    assert not bench.job.steps.exclude(state="pending").filter(started_by=outsider).exists()


def test_the_button_does_what_the_service_does(hand, bench: Bench):
    browser = signed_in(hand)
    bench.verify()
    page = read(browser, job_page(bench.job))
    [action] = re.findall(r'<form method="post" action="(/bench/[^"]+)"', page)
    assert action.endswith("/mark_up/start/")
    assert "Start: Mark up" in page
    response = browser.post(action)
    assert (response.status_code, response["Location"]) == (302, job_page(bench.job))
    step = bench.job.steps.get(kind="mark_up")
    assert (step.state, step.started_by) == ("started", hand)
    assert bench.job.holder == hand
    event = OutboxEvent.objects.filter(type="workshop.step_started").latest("id")
    assert event.data["step"] == "mark_up"
    assert "Finish: Mark up" in read(browser, job_page(bench.job))


def test_a_refusal_is_told_on_the_page_and_nothing_is_written(hand, bench: Bench):
    response = signed_in(hand).post(f"{job_page(bench.job)}edge/start/")
    assert response.status_code == 409
    assert "The next step of job" in response.content.decode()
    assert bench.job.steps.get(kind="edge").state == "pending"


def test_steps_without_readings_are_not_finished(hand, bench: Bench):
    response = signed_in(hand).post(f"{job_page(bench.job)}verify/finish/")
    assert response.status_code == 409
    assert "lens" in response.content.decode()


@pytest.mark.parametrize("rest", ["polish/start/", "edge/skip/", "edge/break/"])
def test_what_is_no_step_is_not_there(hand, bench: Bench, rest):
    assert signed_in(hand).post(f"{job_page(bench.job)}{rest}").status_code == 404


def test_a_look_changes_nothing(hand, bench: Bench):
    bench.verify()
    response = signed_in(hand).get(f"{job_page(bench.job)}mark_up/start/")
    assert response.status_code == 302
    assert bench.job.steps.get(kind="mark_up").state == "pending"


def test_a_form_of_another_site_does_nothing(hand, bench: Bench):
    from django.test import Client

    bench.verify()
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(hand)
    assert browser.post(f"{job_page(bench.job)}mark_up/start/").status_code == 403
    assert bench.job.steps.get(kind="mark_up").state == "pending"


def test_who_may_only_look_has_no_button_and_no_way(clerk, bench: Bench):
    browser = signed_in(clerk)
    bench.verify()
    assert "Start:" not in read(browser, job_page(bench.job))
    assert browser.post(f"{job_page(bench.job)}mark_up/start/").status_code == 403


def test_a_job_in_anothers_hand_is_taken_over_on_purpose(mill, hand, bench: Bench):
    other = member("second", "workshop", mill)
    bench.verify()
    bench.done("steps/mark_up/start")
    browser = signed_in(other)
    page = read(browser, job_page(bench.job))
    assert "Take it over from Hand" in page
    assert "Finish:" not in page
    browser.post(f"{job_page(bench.job)}take-over/")
    assert bench.job.holder == other
    assert "Finish: Mark up" in read(browser, job_page(bench.job))


def test_the_screen_is_answered_304_until_something_changes(mill, hand):
    browser = signed_in(hand)
    job = a_job(mill)
    first = browser.get("/bench/MILL/columns")
    again = browser.get("/bench/MILL/columns", headers={"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    Job.unscoped.filter(pk=job.pk).update(state="stopped", stop_reason="invented")
    changed = browser.get("/bench/MILL/columns", headers={"If-None-Match": first["ETag"]})
    assert changed.status_code == 200
    assert "invented" in changed.content.decode()


def test_the_powers_of_a_job_are_written_down_as_read(hand, bench: Bench):
    before = AuditRead.objects.count()
    read(signed_in(hand), job_page(bench.job))
    written = AuditRead.objects.latest("id")
    assert AuditRead.objects.count() == before + 1
    assert (written.kind, written.ids, written.actor_label) == ("workshop_job", [str(bench.job.pk)], str(hand))
    assert written.subjects.count() == 1


def test_the_number_of_queries_does_not_grow_with_the_jobs(mill, hand, queries):
    browser = signed_in(hand)
    a_job(mill).steps.create(position=1, kind="edge")
    browser.get("/bench/MILL/columns")
    few = queries(lambda: browser.get("/bench/MILL/columns"))
    for _ in range(12):
        a_job(mill).steps.create(position=1, kind="edge")
    assert queries(lambda: browser.get("/bench/MILL/columns")) == few
