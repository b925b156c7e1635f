"""The worth of the stock through the API: at any moment, per branch, by the method of the company."""

from __future__ import annotations

import csv
import datetime as dt
import io
from decimal import Decimal

import pytest

from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.stock import services
from opticshop.stock.costing import Method
from opticshop.stock.selectors import valuations_at
from tests.conftest import NOON
from tests.factories import FrameFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/stock/valuation/"
TILL = system("till")
HOUR = dt.timedelta(hours=1)


def sell(branch, item, document, pieces=1):
    for n in range(pieces):
        services.stock_reserve(actor=TILL, branch=branch, item=item, document=f"{document}-{n}", part="x")
        services.stock_consume(actor=TILL, branch=branch, document=f"{document}-{n}")


@pytest.fixture
def history(mill, quay, lens_item, receive):
    """Two at 4.00 at noon, two at 6.00 at one, one sold at two, one sent at three and taken in at four."""
    with clock.at(NOON):
        receive(mill, lens_item, 2, "A", "4.00")
    with clock.at(NOON + HOUR):
        receive(mill, lens_item, 2, "B", "6.00")
    with clock.at(NOON + 2 * HOUR):
        sell(mill, lens_item, "orders/x")
    with clock.at(NOON + 3 * HOUR):
        transfer = services.transfer_draft(actor=TILL, sender=mill, receiver=quay, wanted=[(lens_item, 2)])
        transfer = services.transfer_send(actor=TILL, transfer=transfer)
    with clock.at(NOON + 4 * HOUR):
        line = transfer.lines.order_by("id").first()
        services.transfer_receive(actor=TILL, transfer=transfer, arrived={line.id: 1})
    return transfer


def told(client, **query):
    response = client.get(URL, query)
    assert response.status_code == 200, response.data
    return {
        row["code"]: (row["on_hand_value"], row["in_transit_value"], row["on_hand_pieces"], row["in_transit_pieces"])
        for row in response.data["results"]
    }


#: Hours after noon -> (on hand value, in transit value, on hand pieces, in transit pieces) at the first branch.
FIFO = {
    0: ("8.00", "0.00", 2, 0),
    1: ("20.00", "0.00", 4, 0),
    2: ("16.00", "0.00", 3, 0),
    3: ("6.00", "10.00", 1, 2),
    4: ("6.00", "6.00", 1, 1),
}
AVERAGE = FIFO | {2: ("15.00", "0.00", 3, 0), 3: ("5.00", "10.00", 1, 2), 4: ("5.00", "5.00", 1, 1)}


@pytest.mark.parametrize(("method", "expected"), [("fifo", FIFO), ("average", AVERAGE)])
@pytest.mark.parametrize("hours", range(5))
def test_the_worth_at_any_moment(api, manager, mill, history, settings, method, expected, hours):
    settings.OPTICSHOP_STOCK_VALUATION = method
    moment = (NOON + hours * HOUR).isoformat()
    assert told(api(manager), at=moment) == {"MILL": expected[hours]}


@pytest.mark.parametrize(("method", "expected"), [("fifo", FIFO), ("average", AVERAGE)])
def test_many_moments_are_told_at_once(mill, quay, history, queries, method, expected):
    """Each as it is told alone; the moments of a branch are its own."""
    asked = [(mill, NOON + hours * HOUR) for hours in expected] + [(quay, NOON + 9 * HOUR)]
    told = {}
    assert queries(lambda: told.update(valuations_at(asked, method=Method(method)))) == 1
    for hours, (on_hand_value, in_transit_value, *pieces) in expected.items():
        worth = told[mill.id, NOON + hours * HOUR]
        assert (worth.on_hand_value, worth.in_transit_value) == (Decimal(on_hand_value), Decimal(in_transit_value))
        assert [worth.on_hand_pieces, worth.in_transit_pieces] == pieces
    assert [at for branch, at in told if branch == quay.id] == [NOON + 9 * HOUR]
    assert told[quay.id, NOON + 9 * HOUR].on_hand_pieces == 1


def test_before_there_was_anything_it_is_worth_nothing(api, manager, history):
    assert told(api(manager), at="2026-03-01T00:00:00Z") == {"MILL": ("0.00", "0.00", 0, 0)}


def test_a_transfer_moves_its_worth_and_the_flows_explain_the_sum(api, head_office, history):
    with clock.at(NOON + 5 * HOUR):
        response = api(head_office).get(URL)
    mill, quay = response.data["results"]
    assert (mill["code"], quay["code"], quay["on_hand_value"], quay["method"]) == ("MILL", "QUAY", "4.00", "fifo")
    assert [dict(flow) for flow in mill["flows"]] == [
        {"kind": "consumption", "pieces": -1, "value": "-4.00"},
        {"kind": "receipt", "pieces": 4, "value": "20.00"},
        {"kind": "transferred_away", "pieces": -1, "value": "-4.00"},
    ]
    for row in (mill, quay):
        there = Decimal(row["on_hand_value"]) + Decimal(row["in_transit_value"])
        assert sum(Decimal(flow["value"]) for flow in row["flows"]) == there


def test_frames_and_lenses_are_told_apart(api, manager, mill, lens_item, frame_item, receive):
    receive(mill, lens_item, 2)
    receive(mill, frame_item, 1, cost="31.00")
    (row,) = api(manager).get(URL).data["results"]
    assert [dict(kind) for kind in row["by_kind"]] == [
        {"kind": "frame", "pieces": 1, "value": "31.00"},
        {"kind": "lens", "pieces": 2, "value": "8.40"},
    ]


def test_costs_are_for_managers_and_bookkeepers(api, clerk, hand, outsider, bookkeeper, mill, quay, history):
    assert api(clerk).get(URL).status_code == 403
    assert api(hand).get(URL).status_code == 403
    assert api(outsider).get(f"{URL}?branch={mill.id}").status_code == 404
    assert set(told(api(outsider))) == {"QUAY"}
    assert set(told(api(bookkeeper))) == {"MILL", "QUAY"}
    assert set(told(api(bookkeeper), branch=mill.id)) == {"MILL"}


@pytest.mark.parametrize("query", ["branch=x", "at=yesterday", "method=lifo"])
def test_a_question_that_makes_no_sense_is_a_problem(api, manager, query):
    assert api(manager).get(f"{URL}?{query}").status_code == 400


def test_the_export_has_a_row_per_item_and_runs_no_formula(api, head_office, mill, quay, history, receive):
    nasty = services.frame_item_ensure(FrameFactory(name="=1+1"))
    receive(mill, nasty, 1, cost="31.00")
    with clock.at(NOON + 5 * HOUR):
        response = api(head_office).get(f"{URL}export/")
    assert (response.status_code, response["Content-Type"]) == (200, "text/csv; charset=utf-8")
    text = response.content.decode()
    assert text.count("\r\n") == 4
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [(row["branch"], row["kind"], row["on_hand"], row["on_hand_value"], row["in_transit"]) for row in rows] == [
        ("MILL", "frame", "1", "31.00", "0"),
        ("MILL", "lens", "1", "6.00", "1"),
        ("QUAY", "lens", "1", "4.00", "0"),
    ]
    assert rows[0]["description"] == "'=1+1"
    assert (rows[1]["sphere_dpt"], rows[1]["cylinder_dpt"], rows[1]["currency"]) == ("-2.00", "-0.50", "GBP")
    assert api(head_office).get(f"{URL}export/?branch=x").json()["code"] == "core.malformed"


def test_an_impossible_setting_stops_the_start(settings):
    from django.core.checks import run_checks

    settings.OPTICSHOP_STOCK_VALUATION = "lifo"
    assert "stock.E001" in {message.id for message in run_checks()}


@pytest.mark.parametrize("path", [URL, f"{URL}export/"])
def test_the_worth_of_ten_items_costs_as_many_queries_as_of_one(api, manager, mill, frame_item, receive, queries, path):
    receive(mill, frame_item, 1)
    client = api(manager)
    one = queries(lambda: client.get(path))
    for _ in range(9):
        receive(mill, services.frame_item_ensure(FrameFactory()), 1)
    assert queries(lambda: client.get(path)) == one
