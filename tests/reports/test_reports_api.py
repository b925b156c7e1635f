"""Reports over HTTP: who sees which branches, what is refused and how, comparison, files, and what it costs."""

from __future__ import annotations

import csv
import datetime as dt
import io
from decimal import Decimal as D

import pytest

from opticshop.billing import services
from opticshop.core import clock
from opticshop.orders import services as orders
from opticshop.orders.models import Order
from opticshop.reports.registry import TOTAL, all_reports
from tests.conftest import NOON
from tests.factories import BranchFactory

from ..orders.test_orders_filters import COMPUTED, offered
from ..reminders.test_reminders_figures import made
from ..stock.conftest import frame, frame_item, lens, lens_item, receive
from ..stock.test_stock_valuation import sell
from . import write_definitions
from .test_reports_money import SYSTEM, ordered, supplied
from .test_reports_workshop import Pairs

__all__ = ["frame", "frame_item", "lens", "lens_item", "receive"]

pytestmark = pytest.mark.django_db
REPORTS = "/api/v1/reports/"
DAY = "2026-03-02"
ASKED = f"?from={DAY}&to={DAY}"


@pytest.fixture
def sold(mill, quay):
    """Mill: 120 (100 net) a week before the day, 240 (200 net) on the day. Quay, in NZD: 60 (50 net) on the day."""
    quay.currency = "NZD"
    quay.save()
    supplied(mill, -7, "120")
    supplied(mill, 0, "240")
    supplied(quay, 0, "60")


def test_head_office_reads_all_branches_and_no_currency_is_added_to_another(api, head_office, sold, mill, quay):
    body = api(head_office).get(f"{REPORTS}sales-and-margin/{ASKED}&by=branch").json()
    told = [(row["group"], row["currency"], row["values"]["net_sales"]) for row in body["rows"]]
    assert told == [(mill.code, "GBP", "200.00"), (quay.code, "NZD", "50.00")]
    assert [(row["currency"], row["values"]["net_sales"]) for row in body["totals"]] == [
        ("GBP", "200.00"),
        ("NZD", "50.00"),
    ]
    assert body["period"] == {"from": DAY, "to": DAY}
    assert body["report"]["columns"][0]["definition"]


def test_a_branch_sees_its_own_figures_only_in_rows_totals_and_files(api, manager, outsider, sold, mill, quay):
    for address in (
        f"{REPORTS}sales-and-margin/{ASKED}&by=branch",
        f"{REPORTS}sales-and-margin/rows.csv/{ASKED}&by=branch",
    ):
        answer = api(manager).get(address)
        content = answer.getvalue() if answer.streaming else answer.content
        assert answer.status_code == 200
        assert mill.code.encode() in content
        assert quay.code.encode() not in content
        assert b"NZD" not in content
    refused = api(manager).get(f"{REPORTS}sales-and-margin/{ASKED}&branch={quay.id}")
    assert refused.status_code in (403, 404)
    assert quay.code not in refused.content.decode()


def test_a_report_needs_the_permission_of_what_it_is_counted_from(api, hand, bookkeeper):
    assert api(hand).get(REPORTS).status_code == 403
    listed = {each["key"] for each in api(bookkeeper).get(REPORTS).json()}
    assert {"tax-summary", "deposits-owed", "sales-and-margin"} <= listed
    assert "turnaround" not in listed
    assert api(bookkeeper).get(f"{REPORTS}turnaround/").status_code == 403


def test_a_period_stands_beside_the_one_before(api, head_office, sold):
    """By hand: 24 February to 2 March has 200; the seven days before have 100, of 23 February."""
    body = api(head_office).get(f"{REPORTS}sales-and-margin/?from=2026-02-24&to={DAY}&compare=previous").json()
    row = next(row for row in body["totals"] if row["currency"] == "GBP")
    assert body["compared_with"] == {"from": "2026-02-17", "to": "2026-02-23"}
    assert (row["values"]["net_sales"], row["before"]["net_sales"]) == ("200.00", "100.00")
    assert row["change"]["net_sales"] == {"risen_by": "100.00", "share": "1.0000"}
    assert row["change"]["pairs"] == {"risen_by": "0", "share": "0.0000"}


def test_days_are_compared_in_their_order_even_where_some_are_empty(api, head_office, sold, mill):
    """By hand: of two weeks, Monday 2 March beside Monday 23 February; Wednesday sold something only then."""
    supplied(mill, -5, "36")
    address = f"{REPORTS}sales-and-margin/?from={DAY}&to=2026-03-08&by=day&compare=previous"
    rows = [row for row in api(head_office).get(address).json()["rows"] if row["currency"] == "GBP"]
    assert [(row["group"], row["values"]["net_sales"], row["before"]["net_sales"]) for row in rows] == [
        (DAY, "200.00", "100.00"),
        ("2026-03-04", None, "30.00"),
    ]


@pytest.mark.parametrize(
    ("key", "query", "status", "field"),
    [
        ("", "?kye=1", 400, "kye"),
        ("no-such-report", "", 404, "report"),
        ("sales-and-margin", "?by=moon", 400, "by"),
        ("sales-and-margin", "?from=2026-03-03&to=2026-03-02", 400, "to"),
        ("sales-and-margin", "?from=2020-01-01&to=2026-03-02", 400, "to"),
        ("sales-and-margin", "?from=yesterday", 400, "from"),
        ("sales-and-margin", "?compare=never", 400, "compare"),
        ("sales-and-margin", "?brnach=1", 400, "brnach"),
        ("sales-and-margin", "?branch=MILL", 400, "branch"),
    ],
)
def test_what_cannot_be_asked_is_refused_by_name(api, head_office, key, query, status, field):
    answer = api(head_office).get(f"{REPORTS}{key}{'/' * bool(key)}{query}")
    body = answer.json()
    assert answer.status_code == status, body
    assert answer["Content-Type"] == "application/problem+json"
    assert field in [body.get("field"), *(each["pointer"].rpartition("/")[2] for each in body.get("errors", ()))]


def test_the_file_holds_the_rows_the_totals_and_the_earlier_figures(api, head_office, sold, mill):
    answer = api(head_office).get(
        f"{REPORTS}sales-and-margin/rows.csv/?from=2026-02-24&to={DAY}&by=branch&compare=previous"
    )
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.getvalue().decode())))
    mills = next(row for row in rows if row["branch"] == mill.code)
    assert (mills["currency"], mills["net_sales"], mills["net_sales before"]) == ("GBP", "200.00", "100.00")
    assert [row["branch"] for row in rows].count(TOTAL) == 2


def counted(column, exactly=True):
    """As many records as the row counted; without ``exactly`` at least those."""
    return lambda records, row: 0 < row[column] == len(records) if exactly else 0 < row[column] <= len(records)


def booked(column, *accounts):
    """Journal entries whose lines on these accounts come to the figure of the row."""

    def held(records, row):
        lines = [line for entry in records for line in entry["lines"] if line["account"] in accounts]
        return 0 != D(row[column]) == sum((D(line["credit"]) - D(line["debit"]) for line in lines), D(0))

    return held


#: Report -> what each of its lists must hold, for a row of one branch and one day. Codes of accounts: ledger/chart.py.
#: Lists without filters by day stand as they do now; the day of the test is now.
BEHIND = {
    "aged-debt": [counted("orders", exactly=False)],
    "conversion": [counted("offers")],
    "dead-stock": [counted("lots")],
    "deposits-owed": [booked("owed", "2000")],
    "orders-placed": [counted("orders")],
    "promises-kept": [counted("finished")],
    "recall-return": [lambda records, row: 0 < row["due"] + row["not_counted"] == len(records)],
    "remakes-and-spoil": [counted("remakes")],
    "right-first-time": [counted("finished")],
    "sales-and-margin": [counted("pairs"), booked("net_sales", "4000", "4010")],
    "stock-turn": [
        lambda records, row: (
            0 < D(row["issued_cost"]) == -sum(D(each["unit_cost"]) * each["on_hand_change"] for each in records)
        )
    ],
    "stock-value": [lambda records, row: 0 < row["pieces"] == sum(each["on_hand"] for each in records)],
    "tax-summary": [booked("tax", "2100")],
    "turnaround": [counted("packed"), counted("handed_over")],
    "uncollected": [counted("pairs")],
}


@pytest.fixture
def a_day(mill, quay, frame_item, lens_item, receive):
    """Of each thing that a report counts some on the day at Mill, and others on the day before or at Quay."""
    pairs, before = Pairs(), NOON - dt.timedelta(days=1)
    with clock.at(NOON - dt.timedelta(days=500)):
        receive(mill, frame_item, 3, "A", "31.00")
        for branch in (mill, quay):
            receive(branch, lens_item, 9, "L", "4.00")
    for branch, at in ((mill, before), (mill, NOON), (mill, NOON), (quay, NOON)):
        job = pairs.packed(branch, at - dt.timedelta(days=3), at, at)
        pairs.job(job.order, 2, at, state="open", remake_cause="other", remake_reason="invented")
        supplied(branch, (at - NOON).days, "120")
        services.payment_take(actor=SYSTEM, order=ordered(branch, "240"), amount=D("50"), method="card")
        ordered(branch, "60", placed_at=at, state="ready", ready_at=at)
        made(branch, due_on=at.date())
        offered(branch, at)
        with clock.at(at):
            sell(branch, lens_item, f"orders/{job.order_id}", 1)
    Order.unscoped.update(computation=COMPUTED)


def test_the_records_behind_a_row_are_those_that_were_counted(api, head_office, mill, a_day):
    client = api(head_office)
    assert BEHIND.keys() == {report.key for report in all_reports()}
    for report, holds in BEHIND.items():
        rows = client.get(f"{REPORTS}{report}/{ASKED}&by=branch").json()["rows"]
        [row] = [each for each in rows if each["group"] == mill.code]
        for address, held in zip(row["records"], holds, strict=True):
            answer = client.get(address)
            assert answer.status_code == 200, (address, answer.content)
            assert answer.json()["next"] is None
            assert held(answer.json()["results"], row["values"]), (address, row["values"])


@pytest.mark.parametrize("report", [report.key for report in all_reports()])
def test_more_branches_and_orders_cost_no_more_queries(api, head_office, queries, report, mill, quay):
    client = api(head_office)
    address = f"{REPORTS}{report}/?from=2026-02-20&to={DAY}&by=branch&compare=previous"
    for branch in (mill, quay):
        supplied(branch, 0, "100")
    client.get(address)
    few = queries(lambda: client.get(address))
    for number in range(4):
        branch = BranchFactory(code=f"B{number}")
        for _ in range(3):
            supplied(branch, 0, "100")
            ordered(branch, "100")
    assert queries(lambda: client.get(address)) == few


@pytest.mark.parametrize("report", [report.key for report in all_reports()])
def test_every_report_answers_every_grouping_with_nothing_and_with_something(api, head_office, report, mill):
    client = api(head_office)
    found = next(each for each in all_reports() if each.key == report)
    for _ in range(2):
        for by in (TOTAL, *found.groupings):
            answer = client.get(f"{REPORTS}{report}/{ASKED}&by={by}&compare=year_before")
            assert answer.status_code == 200, (by, answer.content)
            columns = {column.key for column in found.columns}
            assert all(set(row["values"]) == columns for row in answer.json()["rows"])
        with clock.at(NOON - dt.timedelta(hours=1)):
            supplied(mill, 0, "100")


def test_a_share_of_nothing_is_not_known(api, head_office, mill):
    """A pair given away: a sale of nought, of which no share can be left; its frame was the customer's."""
    with clock.at(NOON):
        order = ordered(mill, "0", total=D(0), tax_total=D(0), frame_is_customers=True)
        for step in (orders.order_enter_workshop, orders.order_mark_ready, orders.order_collect):
            order = step(actor=SYSTEM, order=order)
        services.supply_book(actor=SYSTEM, order=order)
    [row] = api(head_office).get(f"{REPORTS}sales-and-margin/{ASKED}").json()["totals"]
    values = row["values"]
    assert (values["pairs"], values["net_sales"], values["margin"], values["margin_share"]) == (1, "0.00", "0.00", None)


def test_the_page_of_definitions_is_that_of_the_code():
    assert write_definitions.FILE.read_text(encoding="utf-8") == write_definitions.written(), (
        "docs/reports.md: python -m tests.reports.write_definitions"
    )
