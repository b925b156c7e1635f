"""Look-back: what passed on the word of an instrument since its last good check."""

from __future__ import annotations

import csv
import datetime as dt
import io

import pytest

from opticshop.core import clock
from tests.conftest import NOON
from tests.instruments.conftest import Focimeter, add_instrument, add_piece
from tests.quality.conftest import HANDOVERS, inspect, pay
from tests.workshop.conftest import BEFORE_INSPECTION, GOOD

pytestmark = pytest.mark.django_db


def at(hours):
    return clock.at(NOON + dt.timedelta(hours=hours))


@pytest.fixture
def focimeter(bench, mill):
    certified = {"power_dpt": "5.00", "prism_dpt": "5.00", "axis_deg": "90"}
    found = Focimeter(
        bench.client, add_instrument(mill), {name: add_piece(mill, name, at) for name, at in certified.items()}
    )
    found.check_all()
    return found


def look_back(client, focimeter, path="", **query):
    return client.get(f"/api/v1/look-backs/{focimeter.row.id}/{path}", query)


def passed_with(bench, focimeter):
    """Both uncut lenses read, and the glazed pair inspected, with the focimeter: an hour apart."""
    for hours, eye in ((1, "right"), (2, "left")):
        with at(hours):
            body = {"eye": eye, **GOOD[eye], "instrument": str(focimeter.row.id)}
            assert bench.done("verify", body)["outcome"] == "pass"
    bench.done("steps/verify/finish")
    bench.work(*BEFORE_INSPECTION)
    with at(3):
        response = inspect(bench.client, bench.job_id, instruments=[str(focimeter.row.id)])
        assert response.json()["outcome"] == "pass", response.content


def test_a_failed_check_names_what_was_passed_since_the_last_good_one(bench, focimeter):
    passed_with(bench, focimeter)
    with at(4):
        failed = focimeter.check(reading="5.30").json()
        found = look_back(bench.client, focimeter).json()
    assert found["since"].startswith("2026-03-02T12:00")
    assert (found["until"], found["failed_check"]) == (None, failed["id"])
    counts = ("inspections", "readings", "jobs", "orders", "customers", "handed_over", "left_out")
    assert [found[name] for name in counts] == [1, 2, 1, 1, 1, 0, 0]
    assert [(row["kind"], row["eye"]) for row in found["rows"]] == [
        ("inspection", ""),
        ("reading", "left"),
        ("reading", "right"),
    ]
    job = bench.job
    assert {row["job_number"] for row in found["rows"]} == {job.number}
    assert {row["order_number"] for row in found["rows"]} == {job.order.number}
    assert {row["by"] for row in found["rows"]} == {"Hand"}


def test_what_was_passed_after_the_doubt_was_cleared_is_not_in_it(bench, focimeter):
    with at(0.2):
        focimeter.check(reading="5.30")
    with at(0.5):
        focimeter.check()
    passed_with(bench, focimeter)
    found = look_back(bench.client, focimeter).json()
    assert found["until"].startswith("2026-03-02T12:30")
    assert (found["inspections"], found["readings"], found["rows"]) == (0, 0, [])


def test_the_time_can_be_named(bench, focimeter):
    passed_with(bench, focimeter)
    query = {"since": "2026-03-02T13:30:00Z", "until": "2026-03-02T14:30:00Z"}
    found = look_back(bench.client, focimeter, **query).json()
    assert [(row["kind"], row["eye"]) for row in found["rows"]] == [("reading", "left")]


def test_another_instrument_answers_for_its_own(bench, focimeter, mill):
    passed_with(bench, focimeter)
    other = Focimeter(bench.client, add_instrument(mill, name="Focimeter 2"))
    found = look_back(bench.client, other).json()
    assert (found["since"], found["inspections"], found["readings"]) == (None, 0, 0)


def test_what_failed_was_not_passed(bench, focimeter):
    with at(1):
        body = {"eye": "right", **GOOD["right"], "sphere_dpt": "-4.75", "instrument": str(focimeter.row.id)}
        assert bench.done("verify", body)["outcome"] == "fail"
    assert look_back(bench.client, focimeter).json()["readings"] == 0


def test_pairs_that_the_customer_has_are_counted(api, clerk, bench, order, focimeter):
    passed_with(bench, focimeter)
    bench.work("set_up", "pack")
    pay(api(clerk), order)
    response = api(clerk).post(HANDOVERS, {"order": order["id"]})
    assert response.status_code == 201, response.content
    found = look_back(bench.client, focimeter).json()
    assert (found["orders"], found["handed_over"]) == (1, 1)
    assert all(row["handed_over"] for row in found["rows"])


def test_the_file_has_every_row_and_runs_in_no_spreadsheet(bench, hand, focimeter):
    hand.display_name = "=HYPERLINK(1)"
    hand.save()
    passed_with(bench, focimeter)
    response = look_back(bench.client, focimeter, "csv/")
    assert response["Content-Type"].startswith("text/csv")
    assert f"look-back-{focimeter.row.id}.csv" in response["Content-Disposition"]
    text = response.content.decode()
    assert text.count("\r\n") == 4
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["kind"] for row in rows] == ["inspection", "reading", "reading"]
    assert {row["by"] for row in rows} == {"'=HYPERLINK(1)"}
    assert {row["handed_over"] for row in rows} == {"no"}


def test_whose_look_back(api, clerk, outsider, bookkeeper, bench, focimeter):
    for path in ("", "csv/"):
        assert look_back(api(clerk), focimeter, path).status_code == 200
        assert look_back(api(outsider), focimeter, path).status_code == 404
        assert look_back(api(bookkeeper), focimeter, path).status_code == 403
        assert look_back(api(clerk), focimeter, path, since="soon").status_code == 400
        assert look_back(api(clerk), focimeter, path, colour="red").status_code == 400


def test_it_costs_the_same_however_much_was_passed(bench, focimeter, queries):
    none = queries(lambda: look_back(bench.client, focimeter))
    passed_with(bench, focimeter)
    assert queries(lambda: look_back(bench.client, focimeter)) == none
