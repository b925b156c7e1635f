"""Reports as jobs: asked for, made once, fetched by who asked, gone when their time is over."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
from dataclasses import replace
from decimal import Decimal

import openpyxl
import pytest
from PIL import Image

from opticshop.accounts.models import Membership
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.reports import registry
from opticshop.reports.asking import compared
from opticshop.reports.models import ReportRun
from opticshop.reports.registry import Chart, Column, Report, Scope
from opticshop.reports.services import runs
from opticshop.reports.services.runs import runs_make

pytestmark = pytest.mark.django_db
URL = "/api/v1/report-runs/"
COLUMNS = (Column("currency", "Currency", "text", "Of the branch."), Column("net", "Net", "money", "Without tax."))


@pytest.fixture
def figures(monkeypatch):
    """A report of this test alone. ``figures.calls`` are the scopes it was asked for; ``figures.fails`` makes it
    raise."""

    class Figures:
        calls: list[Scope] = []
        fails: Exception | None = None

        def __call__(self, scope):
            self.calls.append(scope)
            if self.fails is not None:
                raise self.fails
            year = scope.since.year
            return [
                {scope.by: branch.code, "currency": branch.currency, "net": Decimal(year) + Decimal("0.50")}
                for branch in scope.branches
            ]

    told = Figures()
    told.calls = []
    report = Report(
        "sums", "Sums", "What was summed.", COLUMNS, ("branch",), told, "nothing: an example", "quality.figures",
        chart=Chart("bars", "by", ("net",)),
    )  # fmt: skip
    known = {"sums": report, "bare": replace(report, key="bare", chart=None)}
    monkeypatch.setattr(registry, "_reports", {**registry._reports, **known})
    return told


def wanted(**values):
    return {"report": "sums", "since": "2026-02-01", "until": "2026-02-28", "by": "branch", "format": "csv", **values}


def asked(client, status=202, **values):
    response = client.post(URL, wanted(**values), format="json")
    assert response.status_code == status, response.content
    return response.json()


def made(client, **values):
    run = asked(client, **values)
    assert run_duty("reports.make") == 1
    return client.get(f"{URL}{run['id']}/").json()


def test_a_run_is_asked_for_made_and_fetched(api, manager, mill, figures):
    client = api(manager)
    response = client.post(URL, wanted(), format="json")
    assert response.status_code == 202
    run = response.json()
    assert response["Location"] == f"{URL}{run['id']}/"
    assert (run["state"], run["progress"], run["rows"]) == ("waiting", {"done": 0, "of": 3}, None)
    assert client.get(f"{URL}{run['id']}/file/").json()["code"] == "reports.file_not_there"
    assert not figures.calls, "nothing is reckoned within the request"
    assert run_duty("reports.make") == 1
    run = client.get(f"{URL}{run['id']}/").json()
    assert (run["state"], run["progress"], run["rows"]) == ("done", {"done": 3, "of": 3}, 1)
    assert run["expires_at"] == "2026-03-09T12:00:00Z", "seven days after Monday 2 March, 12:00 UTC"
    file = client.get(f"{URL}{run['id']}/file/")
    first = next(csv.DictReader(io.StringIO(file.content.decode())))
    assert (first["branch"], first["net"]) == ("MILL", "2026.50")
    assert (len(file.content), hashlib.sha256(file.content).hexdigest()) == (run["size"], run["sha256"])
    assert file["Content-Type"] == "text/csv; charset=utf-8"
    assert file["Content-Disposition"] == 'attachment; filename="sums_2026-02-01_2026-02-28.csv"'
    assert file["Cache-Control"] == "no-store"
    told = OutboxEvent.objects.filter(type__startswith="reports.").order_by("id").values_list("type", "data")
    data = {"run": run["id"], "report": "sums"}
    assert list(told) == [("reports.run_asked", data), ("reports.run_done", data)]


def test_each_format_is_what_it_says(api, manager, figures):
    def content(kind):
        client = api(manager)
        run = made(client, format=kind, compare="year_before")
        assert run["state"] == "done", run
        response = client.get(f"{URL}{run['id']}/file/")
        return response["Content-Type"], response.content if kind != "json" else response.json()

    kind, told = content("json")
    assert kind == "application/json"
    query = {"from": "2026-02-01", "to": "2026-02-28", "by": "branch", "compare": "year_before"}
    assert told == api(manager).get("/api/v1/reports/sums/", query).json()
    assert [(row["group"], row["values"]["net"], row["before"]["net"]) for row in told["rows"]] == [
        ("MILL", "2026.50", "2025.50")
    ]
    kind, told = content("csv")
    first = next(csv.DictReader(io.StringIO(told.decode())))
    assert (first["net"], first["net before"]) == ("2026.50", "2025.50")
    kind, told = content("xlsx")
    assert kind.endswith("spreadsheetml.sheet")
    assert openpyxl.load_workbook(io.BytesIO(told))["Figures"]["C2"].value == 2026.5
    kind, told = content("svg")
    assert kind == "image/svg+xml"
    assert "Before: MILL 2\u202f025.50" in told.decode()
    kind, told = content("png")
    assert (kind, Image.open(io.BytesIO(told)).format) == ("image/png", "PNG")


def test_progress_moves_with_each_part_that_is_reckoned(api, head_office, mill, quay, figures):
    """Two branches now and a year before, and the totals of both: six steps, and the file. What is looked at lies in
    the database while the duty reckons."""
    client, seen, inner = api(head_office), [], figures.__class__.__call__

    def watched(self, scope):
        seen.append(client.get(f"{URL}{run['id']}/").json()["progress"])
        return inner(self, scope)

    figures.__class__.__call__ = watched
    run = asked(client, compare="year_before")
    assert run["progress"] == {"done": 0, "of": 7}
    assert run_duty("reports.make") == 1
    assert seen == [{"done": done, "of": 7} for done in range(6)]
    assert client.get(f"{URL}{run['id']}/").json()["progress"] == {"done": 7, "of": 7}
    parts = [[branch.code for branch in scope.branches] for scope in figures.calls]
    assert parts == [["MILL"], ["QUAY"], ["MILL"], ["QUAY"], ["MILL", "QUAY"], ["MILL", "QUAY"]]


def test_the_same_key_asks_once(api, manager, figures):
    client = api(manager)
    answers = [client.post(URL, wanted(), format="json", headers={"Idempotency-Key": "k-1"}) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [202, 202]
    assert answers[0].json() == answers[1].json()
    assert ReportRun.objects.count() == 1


def test_a_manager_sees_the_own_branch_and_head_office_all(api, manager, head_office, mill, quay, figures):
    assert asked(api(manager))["branches"] == [str(mill.id)]
    assert set(asked(api(head_office))["branches"]) == {str(mill.id), str(quay.id)}
    assert asked(api(head_office), branches=[str(quay.id)])["branches"] == [str(quay.id)]
    assert asked(api(manager), status=404, branches=[str(quay.id)])["code"] == "core.not_found"


def test_a_run_belongs_to_who_asked(api, manager, head_office, figures):
    run = made(api(manager))
    other = api(head_office)
    assert other.get(f"{URL}{run['id']}/").status_code == 404
    assert other.get(f"{URL}{run['id']}/file/").status_code == 404
    assert other.get(URL).json()["results"] == []


def test_the_permission_of_the_report_is_needed_besides(api, bookkeeper, clerk, figures):
    """The bookkeeper may run reports, but not those of the workshop; a clerk may run none."""
    assert "quality.figures" in asked(api(bookkeeper), status=403)["detail"]
    assert asked(api(clerk), status=403)["code"] == "core.forbidden"


def test_who_lost_the_permission_gets_no_figures(api, manager, mill, quay, figures):
    client = api(manager)
    before, waiting = made(client), asked(client)
    Membership.objects.filter(user=manager).update(branch=quay)
    figures.calls.clear()
    assert run_duty("reports.make") == 1
    run = client.get(f"{URL}{waiting['id']}/").json()
    assert run["state"] == "failed"
    assert "There is no branch" in run["last_error"]
    assert not figures.calls
    assert client.get(f"{URL}{before['id']}/file/").status_code == 404


def test_somebody_who_left_gets_no_figures(api, manager, figures):
    run = asked(api(manager))
    manager.is_active = False
    manager.save()
    assert runs_make() == 1
    found = ReportRun.objects.get(id=run["id"])
    assert (found.state, found.content) == ("failed", None)
    assert not figures.calls


@pytest.mark.parametrize(
    ("values", "status", "code", "right"),
    [
        ({"report": "none"}, 404, "reports.not_known", "sums"),
        ({"by": "person"}, 400, "reports.grouping_not_known", "branch"),
        ({"since": "2026-03-01"}, 400, "reports.period_not_usable", "2026-03-01 or later"),
        ({"since": "2025-02-27"}, 400, "reports.period_not_usable", "366 days"),
        ({"report": "bare", "format": "svg"}, 422, "reports.format_not_offered", "csv"),
    ],
)
def test_what_is_not_made_is_refused_with_what_is(api, manager, figures, values, status, code, right):
    problem = asked(api(manager), status=status, **values)
    assert problem["code"] == code
    assert right in str(problem["errors"][0]["allowed"])
    assert not ReportRun.objects.exists()


def test_what_fails_is_tried_three_times(api, manager, figures):
    run = asked(api(manager))
    figures.fails = RuntimeError("the database went away")
    assert [runs_make() for _ in range(4)] == [0, 0, 1, 0]
    found = ReportRun.objects.get(id=run["id"])
    assert (found.state, found.attempts, found.last_error) == ("failed", 3, "RuntimeError")
    assert OutboxEvent.objects.filter(type="reports.run_failed").count() == 1


def test_what_failed_once_is_made_the_next_time(api, manager, figures):
    run = asked(api(manager))
    figures.fails = RuntimeError("a moment's trouble")
    assert runs_make() == 0
    figures.fails = None
    assert runs_make() == 1
    found = ReportRun.objects.get(id=run["id"])
    assert (found.state, found.attempts, found.last_error, found.steps_done) == ("done", 2, "", 3)


def test_a_run_is_left_to_its_worker_and_taken_over_when_that_died(api, manager, figures, monkeypatch):
    asked(api(manager))
    now = runs.clock.now()
    ReportRun.objects.update(held_until=now + dt.timedelta(minutes=1), attempts=1)
    assert runs_make() == 0
    assert not figures.calls
    ReportRun.objects.update(held_until=now)
    assert runs_make() == 1


def test_a_worker_that_lost_its_hold_writes_nothing(api, manager, figures):
    """While it reckons, another took the run over: what the first found is thrown away."""
    run = asked(api(manager))
    inner = figures.__class__.__call__

    def overtaken(self, scope):
        ReportRun.objects.update(attempts=2)
        return inner(self, scope)

    figures.__class__.__call__ = overtaken
    assert runs_make() == 0
    assert ReportRun.objects.get(id=run["id"]).state == "waiting"
    assert not OutboxEvent.objects.filter(type="reports.run_done").exists()


def test_files_are_let_go_when_their_time_is_over(api, manager, figures, monkeypatch):
    client = api(manager)
    run = made(client)
    assert run_duty("reports.expire") == 0
    ReportRun.objects.update(expires_at=runs.clock.now())
    late = client.get(f"{URL}{run['id']}/file/")
    assert (late.status_code, late.json()["code"]) == (409, "reports.file_not_there"), "also before the duty ran"
    assert run_duty("reports.expire") == 1
    found = ReportRun.objects.get(id=run["id"])
    assert (found.state, found.content) == ("expired", None)
    assert client.get(f"{URL}{run['id']}/file/").json()["state"] == "expired"


def test_too_large_a_file_is_not_kept(api, manager, figures, monkeypatch):
    monkeypatch.setattr(runs, "MOST_BYTES", 10)
    run = made(api(manager))
    assert run["state"] == "failed"
    assert "shorter period" in run["last_error"]


def test_the_list_takes_a_fixed_number_of_queries(api, manager, figures, queries):
    client = api(manager)
    asked(client)
    one = queries(lambda: client.get(URL))
    for _ in range(5):
        asked(client)
    assert queries(lambda: client.get(URL)) == one
    assert len(client.get(URL, {"state": "waiting", "report": "sums"}).json()["results"]) == 6
    assert client.get(URL, {"nonsense": "1"}).status_code == 400


def test_what_periods_are_compared_with(mill):
    february = Scope(dt.date(2024, 2, 1), dt.date(2024, 2, 29), (mill,), "branch")
    before = compared(february, "previous")
    assert (before.since, before.until) == (dt.date(2024, 1, 3), dt.date(2024, 1, 31)), "29 days before"
    year = compared(february, "year_before")
    assert (year.since, year.until) == (dt.date(2023, 2, 1), dt.date(2023, 2, 28))
    assert year.by == "branch"
