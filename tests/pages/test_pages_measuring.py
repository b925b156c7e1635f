"""Readings and inspections typed at the bench: the same services and verdicts as by the API, errors at their fields."""

from __future__ import annotations

import re

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.instruments.models import Instrument
from opticshop.quality.models import Inspection
from opticshop.workshop.models import LensReading
from tests.conftest import member
from tests.quality.conftest import LEFT, RIGHT, SEEN, glazed, measured
from tests.signing_in import signed_in
from tests.workshop.conftest import GOOD, Bench, bench, order, world

from .test_pages_bench import job_page, read

__all__ = ["bench", "glazed", "order", "world"]
pytestmark = pytest.mark.django_db


def typed_pair(**changes):
    """The form of the inspection, filled in as ``measured`` says it to the API."""
    body = {"right": RIGHT, "left": LEFT}
    fields = {f"{eye}.{name}": str(value) for eye, values in body.items() for name, value in values.items()}
    fields |= {f"visual.{name}.ok": "yes" for name in SEEN} | {"redo_from": "verify"}
    return fields | changes


def error_at(page, key):
    """The words at the field, and that a screen reader is told they belong to it."""
    assert f'aria-invalid="true" aria-describedby="{key}-error"' in page
    [words] = re.findall(rf'id="{key}-error">([^<]+)<', page)
    return words


def test_a_lens_is_read_judged_and_shown_with_its_limits(hand, bench: Bench):
    browser = signed_in(hand)
    page = read(browser, job_page(bench.job))
    assert page.count("/reading/") == 2
    assert "Finish: Verify" not in page
    answer = browser.post(f"{job_page(bench.job)}reading/", {"eye": "right", **GOOD["right"], "prism_in_dpt": ""})
    assert answer["Location"] == job_page(bench.job)
    found = LensReading.objects.get()
    assert (found.eye, found.outcome, found.read_by, str(found.axis_deg)) == ("right", "pass", hand, "170")
    page = read(browser, job_page(bench.job))
    assert page.count("/reading/") == 1
    for line in found.verdict["lines"]:
        if line["outcome"] == "pass" and line["limit"]:
            assert f"± {line['limit']}" in page
            assert line["clause"].split("&")[0] in page
    browser.post(f"{job_page(bench.job)}reading/", {"eye": "left", "sphere_dpt": "\u22124,50"})
    assert LensReading.objects.get(eye="left").outcome == "pass"
    assert "Finish: Verify" in read(browser, job_page(bench.job))


def test_a_lens_out_of_tolerance_stops_the_job_and_it_is_put_back(hand, bench: Bench):
    browser, page = signed_in(hand), job_page(bench.job)
    browser.post(f"{page}reading/", {"eye": "right", **GOOD["right"], "sphere_dpt": "-3.00"})
    assert bench.job.state == "stopped"
    shown = read(browser, page)
    assert "is-fail" in shown
    assert "Put back on the bench" in shown
    refused = browser.post(f"{page}resume/", {"note": ""})
    assert refused.status_code == 400
    assert error_at(refused.content.decode(), "resume")
    browser.post(f"{page}resume/", {"note": "Read again after cleaning"})
    assert bench.job.state == "open"


@pytest.mark.parametrize(
    ("typed", "key", "words"),
    [
        ({"sphere_dpt": ""}, "right-sphere_dpt", "required"),
        ({"sphere_dpt": "four"}, "right-sphere_dpt", "plain decimal digits"),
        ({"sphere_dpt": "99"}, "right-sphere_dpt", "40"),
        ({"axis_deg": ""}, "right-axis_deg", "A cylinder has an axis"),
        ({"axis_deg": "270"}, "right-axis_deg", "180"),
    ],
)
def test_what_cannot_be_read_is_told_at_its_field_and_nothing_is_lost(hand, bench: Bench, typed, key, words):
    answer = signed_in(hand).post(f"{job_page(bench.job)}reading/", {"eye": "right", **GOOD["right"], **typed})
    assert answer.status_code == 400
    page = answer.content.decode()
    assert words in error_at(page, key)
    assert 'value="-1.00"' in page
    assert not LensReading.objects.exists()


def test_a_pair_passes_as_by_the_api(mill, hand, glazed: Bench):
    browser, page = signed_in(hand), job_page(glazed.job)
    rule = Instrument.objects.create(branch=mill, kind="ruler", name="Rule 1 (invented)")
    shown = read(browser, page)
    assert "Judge the pair" in shown
    assert f'name="instruments" value="{rule.id}"' in shown
    assert browser.post(f"{page}inspection/", typed_pair(instruments=str(rule.id))).status_code == 302
    found = Inspection.objects.everywhere("test").get()
    assert (found.outcome, found.inspected_by, glazed.job.state) == ("pass", hand, "inspected")
    assert found.visual == measured("")["visual"]
    assert [each.instrument for each in found.used_instruments.all()] == [rule]
    shown = read(browser, page)
    assert "Last inspection" in shown
    for line in found.verdict["lines"]:
        if line["outcome"] == "pass" and line["limit"]:
            assert f"± {line['limit']}" in shown
    assert OutboxEvent.objects.filter(type="quality.inspected").count() == 1


def test_a_pair_that_fails_says_by_how_much_and_goes_back(hand, glazed: Bench):
    browser, page = signed_in(hand), job_page(glazed.job)
    typed = typed_pair(**{"right.sphere_dpt": "-3.50", "visual.screws.ok": "no", "visual.screws.note": "One is loose"})
    browser.post(f"{page}inspection/", {**typed, "redo_from": "edge"})
    found = Inspection.objects.everywhere("test").get()
    assert (found.outcome, glazed.job.state) == ("fail", "stopped")
    shown = read(browser, page)
    assert "One is loose" in shown
    assert "0.50" in shown
    assert glazed.job.steps.get(kind="edge").state == "pending"


def test_an_inspection_that_cannot_be_is_told_at_its_fields(hand, glazed: Bench):
    typed = typed_pair(**{"right.axis_deg": "200", "visual.screws.ok": "", "visual.screws.note": "Loose"})
    answer = signed_in(hand).post(f"{job_page(glazed.job)}inspection/", typed)
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "Say whether" in error_at(page, "note-screws")
    answer = signed_in(hand).post(f"{job_page(glazed.job)}inspection/", typed | {"visual.screws.ok": "yes"})
    page = answer.content.decode()
    assert "180" in error_at(page, "right-axis_deg")
    assert 'value="Loose"' in page
    assert not Inspection.objects.everywhere("test").exists()


@pytest.mark.parametrize(
    "typed",
    [
        {"visual": "x"},
        {"visual.screws": "x"},
        {"visual.moon.ok": "yes"},
        {"visual.screws.ok": "maybe"},
        {"visual.screws.ok.y": "yes"},
        {"instruments": "not-an-id"},
        {"instruments.a.b": "x"},
        {"right": "x"},
        {"right.sphere_dpt.x.y.z": "1"},
        {"redo_from": "polish"},
        {"moon": "1"},
    ],
)
def test_forms_that_are_not_ours_are_refused(hand, glazed: Bench, typed):
    answer = signed_in(hand).post(f"{job_page(glazed.job)}inspection/", typed)
    assert answer.status_code == 400
    assert "Nothing was written down" in answer.content.decode()
    assert not Inspection.objects.everywhere("test").exists()


def test_a_second_person_confirms_where_the_branch_asks_for_it(mill, hand, glazed: Bench):
    mill.second_check = True
    mill.save()
    page, other = job_page(glazed.job), signed_in(member("second", "workshop", mill))
    first = signed_in(hand)
    first.post(f"{page}inspection/", typed_pair())
    assert "I agree" not in read(first, page)
    assert first.post(f"{page}second/", {"agrees": "yes"}).status_code == 409
    assert "I agree" in read(other, page)
    assert "Say what is wrong" in error_at(other.post(f"{page}second/", {"agrees": "no"}).content.decode(), "second")
    other.post(f"{page}second/", {"agrees": "yes", "note": ""})
    assert glazed.job.state == "inspected"


def test_who_may_not_has_no_form_and_no_way(clerk, bench: Bench):
    browser, page = signed_in(clerk), job_page(bench.job)
    assert "/reading/" not in read(browser, page)
    assert browser.post(f"{page}reading/", {"eye": "right", **GOOD["right"]}).status_code == 403
    assert browser.post(f"{page}inspection/", typed_pair()).status_code in (403, 409)
    assert not LensReading.objects.exists()
    assert not Inspection.objects.everywhere("test").exists()


def test_a_page_of_a_job_costs_no_more_for_more_readings(hand, bench: Bench, queries):
    browser, page = signed_in(hand), job_page(bench.job)
    first = {"eye": "right", **GOOD["right"]}
    browser.post(f"{page}reading/", first)
    few = queries(lambda: browser.get(page))
    for _ in range(3):
        browser.post(f"{page}reading/", first)
    assert queries(lambda: browser.get(page)) == few
