"""Counting while selling goes on: what moves around the count is never lost, and no promise is broken by it."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.stock import services
from opticshop.stock.models import CountLine, Lot, Movement, StockCount
from opticshop.stock.selectors import ledger_differences
from tests.conftest import NOON
from tests.factories import FrameFactory, LensProductFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/stock/counts/"
LINES = "/api/v1/stock/count-lines/"
TILL = system("till")
DONE = {"reason": "weekly count"}


def of(lot):
    lot.refresh_from_db()
    return lot.on_hand, lot.reserved


def events(kind):
    return list(OutboxEvent.objects.filter(type=kind).order_by("id").values_list("data", flat=True))


def adjustments():
    lines = Movement.objects.everywhere("test").filter(kind="count_adjustment").order_by("id")
    return list(lines.values_list("lot__code", "on_hand_change"))


def sell(branch, item, document="orders/sold"):
    services.stock_reserve(actor=TILL, branch=branch, item=item, document=document, part="right")
    services.stock_consume(actor=TILL, branch=branch, document=document)


@pytest.fixture
def lot(mill, lens_item, receive):
    return receive(mill, lens_item, 5)


class Sheet:
    """A count sheet in somebody's hand."""

    def __init__(self, client, branch, section=None):
        self.client = client
        self.opened = client.post(URL, {"branch": str(branch.id), "section": section or {}})
        self.url = f"{URL}{self.opened.data.get('id')}/"

    def post(self, verb, **body):
        return self.client.post(f"{self.url}{verb}/", body)

    def count(self, lot, counted):
        response = self.post("record", lot=str(lot.id), counted=counted)
        assert response.status_code == 200, response.data
        return response.data

    def variances(self):
        return self.client.get(f"{self.url}variances/").data


@pytest.fixture
def sheet(api, manager, mill, lot):
    return Sheet(api(manager), mill)


def test_a_difference_is_adjusted_once_a_manager_approves(sheet, lot, manager):
    assert (sheet.opened.status_code, sheet.opened.data["number"]) == (201, "MILL-C-2026-00001")
    assert (sheet.opened.data["lines_total"], sheet.opened.data["lines_counted"]) == (1, 0)
    line = sheet.count(lot, 4)
    assert (line["expected"], line["counted"], line["variance"], line["is_below_reserved"]) == (5, 4, -1, False)
    assert sheet.post("submit").data["state"] == "submitted"
    assert of(lot) == (5, 0)
    told = sheet.variances()
    assert (told["missing_pieces"], told["missing_value"], told["surplus_pieces"]) == (1, "4.20", 0)
    assert (told["lines"][0]["value"], told["lines"][0]["is_stale"]) == ("-4.20", False)
    approved = sheet.post("approve", **DONE)
    assert (approved.status_code, approved.data["state"], approved.data["decided_by_label"]) == (
        200,
        "approved",
        "Manager",
    )
    assert of(lot) == (4, 0)
    movement = Movement.objects.everywhere("test").get(kind="count_adjustment")
    assert (movement.on_hand_change, movement.reason, movement.by) == (-1, "weekly count", manager)
    assert movement.document == f"counts/{approved.data['id']}"
    assert [each["adjusted"] for each in events("stock.count_approved")] == [1]
    assert (len(events("stock.counted")), len(events("stock.count_adjusted"))) == (1, 1)
    assert ledger_differences() == []


def test_what_moves_before_and_after_a_line_is_counted_is_not_lost(sheet, lot, mill, lens_item, receive):
    """Received and sold after the sheet was opened, counted one too few, then sold again: only the one is adjusted."""
    receive(mill, lens_item, 3)
    sell(mill, lens_item, "orders/before")
    assert sheet.count(lot, 6)["variance"] == -1
    sell(mill, lens_item, "orders/after")
    assert sheet.post("submit").status_code == 200
    assert sheet.post("approve", **DONE, accept_stale=True).status_code == 200
    assert of(lot) == (5, 0)  # 5 + 3 - 1 - 1, and one was missing
    assert adjustments() == [("A", -1)]
    assert ledger_differences() == []


def test_a_stale_count_is_refused_with_what_moved_until_it_is_counted_again(sheet, lot, mill, lens_item):
    sheet.count(lot, 4)
    sell(mill, lens_item)
    sheet.post("submit")
    (line,) = sheet.variances()["lines"]
    assert (line["is_stale"], line["moves_since"], line["change_since"]) == (True, 1, -1)
    refused = sheet.post("approve", **DONE)
    assert (refused.status_code, refused.data["code"]) == (409, "stock.count_stale")
    assert refused.data["stale"] == [
        {"lot": str(lot.id), "counted": 4, "expected": 5, "movements_since": 1, "change_since": -1}
    ]
    assert (of(lot), adjustments(), events("stock.count_approved")) == ((4, 0), [], [])
    assert sheet.post("reopen", reason="count the drawer again").data["state"] == "open"
    again = sheet.count(lot, 4)
    assert (again["expected"], again["variance"], again["readings"]) == (4, 0, 2)
    sheet.post("submit")
    assert sheet.post("approve", **DONE).data["state"] == "approved"
    assert (of(lot), adjustments()) == ((4, 0), [])


def test_a_promise_is_no_movement_of_pieces_and_makes_nothing_stale(sheet, lot, mill, lens_item):
    sheet.count(lot, 4)
    services.stock_reserve(actor=TILL, branch=mill, item=lens_item, document="orders/x", part="right")
    sheet.post("submit")
    assert sheet.post("approve", **DONE).status_code == 200
    assert of(lot) == (4, 1)


def test_a_lot_that_moved_but_agrees_is_not_stale(sheet, lot, mill, lens_item):
    sheet.count(lot, 5)
    sell(mill, lens_item)
    sheet.post("submit")
    assert sheet.post("approve", **DONE).status_code == 200
    assert (of(lot), adjustments()) == ((4, 0), [])


def test_a_count_below_what_is_promised_breaks_no_promise(sheet, lot, mill, lens_item):
    for n in range(3):
        services.stock_reserve(actor=TILL, branch=mill, item=lens_item, document=f"orders/{n}", part="right")
    assert sheet.count(lot, 1)["is_below_reserved"]
    sheet.post("submit")
    refused = sheet.post("approve", **DONE)
    assert (refused.status_code, refused.data["code"]) == (409, "stock.count_below_reserved")
    assert refused.data["short"] == [
        {
            "lot": str(lot.id),
            "would_hold": 1,
            "reserved": 3,
            "promised_to": ["orders/0", "orders/1", "orders/2"],
        }
    ]
    assert (of(lot), adjustments()) == ((5, 3), [])
    for n in range(2):
        services.stock_release(actor=TILL, branch=mill, document=f"orders/{n}", reason="nothing there")
    assert sheet.post("approve", **DONE).status_code == 200
    assert of(lot) == (1, 1)


def test_a_lot_is_on_one_open_sheet_at_a_time(api, clerk, sheet, lot, mill):
    second = Sheet(api(clerk), mill)
    assert (second.opened.status_code, second.opened.data["code"]) == (409, "stock.already_being_counted")
    assert second.opened.data["counts"] == ["MILL-C-2026-00001"]
    assert sheet.post("cancel", reason="fire alarm").data["state"] == "cancelled"
    assert Sheet(api(clerk), mill).opened.status_code == 201
    assert of(lot) == (5, 0)


def test_the_sheet_is_handed_in_whole_or_with_a_word(sheet, lot, mill, frame_item, receive):
    sheet.post("cancel", reason="start over")
    glasses = receive(mill, frame_item, 1)
    whole = Sheet(sheet.client, mill)
    whole.count(lot, 5)
    refused = whole.post("submit")
    assert (refused.status_code, refused.data["code"]) == (409, "stock.count_incomplete")
    assert refused.data["uncounted"] == [{"lot": str(glasses.id), "code": "A"}]
    assert whole.post("submit", leave_uncounted=True).data["state"] == "submitted"
    whole.post("approve", **DONE)
    assert of(glasses) == (1, 0)


def test_a_sheet_that_was_handed_in_or_decided_takes_no_more(sheet, lot):
    sheet.count(lot, 5)
    sheet.post("submit")
    for verb, body in (("record", {"lot": str(lot.id), "counted": 1}), ("submit", {})):
        assert sheet.post(verb, **body).status_code == 409
    sheet.post("approve", **DONE)
    for verb, body in (("approve", DONE), ("cancel", {"reason": "x"}), ("reopen", {"reason": "x"})):
        response = sheet.post(verb, **body)
        assert (response.status_code, response.data["code"]) == (409, "core.move_not_allowed")
    assert of(lot) == (5, 0)


def test_pieces_nobody_knew_of_are_found(sheet, lot, mill, lens):
    found = {"kind": "lens", "lens": str(lens.id), "sphere_dpt": "-3.00", "lot_code": "FOUND", "unit_cost": "3.10"}
    line = sheet.post("found", **found, counted=2)
    assert (line.status_code, line.data["expected"], line.data["variance"]) == (200, 0, 2)
    known = found | {"sphere_dpt": "-2.00", "cylinder_dpt": "-0.50", "lot_code": "A", "unit_cost": "99"}
    assert sheet.post("found", **known, counted=5).data["lot"] == str(lot.id)  # the lot is known; its cost stays
    sheet.post("submit")
    sheet.post("approve", **DONE)
    new = Lot.objects.everywhere("test").get(code="FOUND")
    assert (new.on_hand, new.unit_cost, new.branch) == (2, Decimal("3.10"), mill)
    assert (of(lot), adjustments()) == ((5, 0), [("FOUND", 2)])
    assert ledger_differences() == []


def test_a_lot_received_meanwhile_can_be_counted_and_need_not(sheet, lot, mill, frame_item, receive):
    late = receive(mill, frame_item, 2, "LATE")
    assert sheet.count(late, 1)["variance"] == -1
    sheet.count(lot, 5)
    sheet.post("submit")
    sheet.post("approve", **DONE)
    assert of(late) == (1, 0)


@pytest.mark.parametrize(
    ("section", "expected"),
    [
        ({}, {"frame", "low", "high", "other"}),
        ({"kind": "frame"}, {"frame"}),
        ({"lens": "lens"}, {"low", "high"}),
        ({"lens": "lens", "sphere_from_dpt": "-2.00", "sphere_to_dpt": "0"}, {"low"}),
        ({"sphere_to_dpt": "-2.25"}, {"high"}),
        ({"maker": "heronry"}, {"frame"}),
        ({"sku_prefix": "zz-"}, {"other"}),
        ({"items": ["low", "frame"]}, {"low", "frame"}),
        ({"maker": "nobody"}, set()),
    ],
)
def test_a_section_is_what_the_drawer_is_called(api, clerk, mill, quay, receive, section, expected):
    glasses, lens, other = FrameFactory(maker="Heronry"), LensProductFactory(), LensProductFactory(sku="ZZ-1")
    items = {
        "frame": services.frame_item_ensure(glasses),
        "low": services.lens_item_ensure(lens, Decimal("-2"), Decimal("-0.5")),
        "high": services.lens_item_ensure(lens, Decimal("-5"), Decimal(0)),
        "other": services.lens_item_ensure(other, Decimal("1"), Decimal(0)),
    }
    for name, item in items.items():
        receive(mill, item, 1, name)
        receive(quay, item, 1, f"quay {name}")
    section = {key: str(lens.id) if value == "lens" else value for key, value in section.items()}
    if "items" in section:
        section["items"] = [str(items[name].id) for name in section["items"]]
    sheet = Sheet(api(clerk), mill, section)
    lines = api(clerk).get(f"{LINES}?count={sheet.opened.data['id']}").data["results"]
    assert {line["lot_code"] for line in lines} == expected
    assert all(line["expected"] is None for line in lines)  # counted blind


@pytest.mark.parametrize(
    "section", [{"sphere_from_dpt": "1", "sphere_to_dpt": "0"}, {"items": []}, {"kind": "hinge"}, {"drawer": "7"}]
)
def test_a_section_that_makes_no_sense_opens_nothing(api, clerk, mill, section):
    assert Sheet(api(clerk), mill, section).opened.status_code == 400
    assert not StockCount.objects.everywhere("test").exists()


@pytest.mark.parametrize("name", ["lens", "items"])
def test_a_section_of_something_unknown_opens_nothing(api, clerk, mill, lot, name):
    unknown = "01890a5d-ac96-774b-bcce-b302099a8057"
    section = {"lens": unknown} if name == "lens" else {"items": [str(lot.item_id), unknown]}
    response = Sheet(api(clerk), mill, section).opened
    assert (response.status_code, response.json()["code"]) == (404, "core.not_found")
    assert not StockCount.objects.everywhere("test").exists()


def test_too_large_a_section_is_refused(api, clerk, mill, lens_item, receive, monkeypatch):
    monkeypatch.setattr(services.counts, "MOST_LINES", 1)
    for code in "AB":
        receive(mill, lens_item, 1, code)
    response = Sheet(api(clerk), mill).opened
    assert (response.status_code, response.data["code"]) == (422, "stock.section_too_large")
    assert not StockCount.objects.everywhere("test").exists()


def test_bad_readings_count_nothing(sheet, lot, quay, frame_item, receive, api, head_office):
    for counted in (-1, "some", 100_001):
        assert sheet.post("record", lot=str(lot.id), counted=counted).status_code == 400
    elsewhere = receive(quay, frame_item, 1)
    assert sheet.post("record", lot=str(elsewhere.id), counted=1).status_code == 404
    by_office = api(head_office).post(f"{sheet.url}record/", {"lot": str(elsewhere.id), "counted": 1})
    assert (by_office.status_code, by_office.data["code"]) == (422, "stock.lot_elsewhere")
    for body in ({}, {"reason": " "}):
        assert sheet.post("approve", **body).status_code in {400, 409}
    assert not CountLine.objects.everywhere("test").filter(counted__isnull=False).exists()
    assert not events("stock.counted")


def test_the_hand_counts_the_manager_approves_and_others_see_nothing(
    api, hand, clerk, manager, outsider, bookkeeper, mill, lot
):
    assert Sheet(api(bookkeeper), mill).opened.status_code == 403
    assert Sheet(api(outsider), mill).opened.status_code == 404
    sheet = Sheet(api(hand), mill)
    sheet.count(lot, 4)
    sheet.post("submit")
    for verb, body in (("approve", DONE), ("reopen", DONE), ("cancel", DONE)):
        assert api(clerk).post(f"{sheet.url}{verb}/", body).status_code == 403
        assert api(outsider).post(f"{sheet.url}{verb}/", body).status_code == 404
    assert api(outsider).get(f"{sheet.url}variances/").status_code == 404
    assert api(outsider).get(LINES).data["results"] == []
    assert api(outsider).get(URL).data["results"] == []
    assert of(lot) == (5, 0)
    assert api(manager).post(f"{sheet.url}approve/", DONE).status_code == 200


def test_a_repeated_approval_adjusts_once(api, manager, sheet, lot):
    sheet.count(lot, 3)
    sheet.post("submit")
    for _ in range(2):
        response = api(manager).post(f"{sheet.url}approve/", DONE, headers={"Idempotency-Key": "k"})
        assert response.status_code == 200
    assert (of(lot), adjustments()) == ((3, 0), [("A", -2)])


def test_an_adjustment_rubbed_out_on_the_sheet_is_found(sheet, lot):
    sheet.count(lot, 3)
    sheet.post("submit")
    sheet.post("approve", **DONE)
    CountLine.objects.everywhere("test").update(counted=4)
    assert [(each.what, each.kept, each.computed) for each in ledger_differences()] == [("variance", -1, -2)]


@pytest.mark.parametrize("path", [URL, LINES, "variances"])
def test_a_list_costs_the_same_for_one_row_and_for_ten(api, manager, mill, lens, receive, queries, path):
    client = api(manager)

    def one_more(n):
        item = services.lens_item_ensure(lens, Decimal(-n) / 4, Decimal(0))
        lot = receive(mill, item, 2)
        sheet = Sheet(client, mill, {"items": [str(item.id)]})
        sheet.count(lot, 1)
        return sheet, lot

    sheet, _ = one_more(0)
    url = f"{sheet.url}variances/" if path == "variances" else path
    one = queries(lambda: client.get(url))
    for n in range(1, 10):
        other, lot = one_more(n)
        if path == "variances":
            other.post("cancel", reason="moved to the first sheet")
            sheet.count(lot, 1)
    assert queries(lambda: client.get(url)) == one


def test_the_moment_of_a_reading_is_kept(sheet, lot):
    with clock.at(NOON + dt.timedelta(hours=2)):
        assert sheet.count(lot, 5)["counted_at"] == "2026-03-02T14:00:00Z"
