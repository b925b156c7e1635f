"""Pieces sent back to a supplier: authorised, sent, credited or not; the stock leaves with the parcel."""

from __future__ import annotations

import pytest

from opticshop.core.actor import system
from opticshop.purchasing.models import Supplier, SupplierReturn
from opticshop.stock.models import Lot, Movement
from opticshop.stock.selectors import ledger_differences
from opticshop.stock.services import stock_reserve
from tests.purchasing.conftest import PACKET, RETURNS, done, events_of, lots, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def shelf(api, clerk, sent, opened):
    """Three good packets of one lot on the shelf, one wrong one in quarantine."""
    sent()
    url = opened()
    code = {"code": f"(01){PACKET}(10)K7731"}
    done(api(clerk).post(f"{url}scan/", code | {"quantity": 3}), 201)
    wrong = {"sphere_dpt": "-2.50", "cylinder_dpt": "-0.50", "axis_deg": 40}
    done(api(clerk).post(f"{url}scan/", code | {"reading": wrong}), 201)
    done(api(clerk).post(f"{url}confirm/", {}))
    rows = Lot.objects.everywhere("test").select_related("branch", "item")
    return {"good": rows.get(is_quarantined=False), "wrong": rows.get(is_quarantined=True)}


def line(lot, quantity=1, reason="Wrong power in the packet"):
    return {"lot": str(lot.id), "quantity": quantity, "reason": reason}


def test_wrong_and_surplus_pieces_go_back_and_are_credited(api, manager, trade, shelf):
    lines = [line(shelf["wrong"]), line(shelf["good"], 2, "Ordered too many")]
    drafted = done(api(manager).post(RETURNS, trade.parcel(lines=lines)), 201)
    assert (drafted["number"], drafted["state"], drafted["claimed"]) == ("MILL-S-2026-00001", "draft", "12.00")
    url = f"{RETURNS}{drafted['id']}/"
    refused(api(manager).post(f"{url}send/", {}), 422, "purchasing.authorisation_missing")
    assert lots()["K7731"] == (3, 0)
    sent = done(api(manager).post(f"{url}send/", {"authorisation_number": "RA-3301"}))
    assert (sent["state"], sent["authorisation_number"]) == ("sent", "RA-3301")
    assert lots()["K7731"] == (1, 0)
    assert lots()[shelf["wrong"].code] == (0, 0)
    moved = Movement.objects.everywhere("test").filter(kind="supplier_return")
    assert {(move.on_hand_change, move.document) for move in moved} == {
        (-1, f"supplier-returns/{drafted['id']}"),
        (-2, f"supplier-returns/{drafted['id']}"),
    }
    assert done(api(manager).post(f"{url}acknowledge/", {}))["state"] == "credit_pending"
    problem = refused(
        api(manager).post(f"{url}credit/", {"amount": "12.01", "credit_note": "CN-1"}),
        422,
        "purchasing.credit_impossible",
    )
    assert problem["errors"][0]["allowed"] == "up to 12.00"
    credited = done(api(manager).post(f"{url}credit/", {"amount": "11.50", "credit_note": "CN-1"}))
    assert (credited["state"], credited["credited_amount"], credited["credit_note"]) == ("credited", "11.50", "CN-1")
    names = ["drafted", "sent", "acknowledged", "credited"]
    assert [len(events_of(f"purchasing.return_{name}")) for name in names] == [1, 1, 1, 1]
    assert ledger_differences() == []


def test_a_rejected_return_stays_out_of_stock(api, manager, trade, shelf):
    drafted = done(
        api(manager).post(RETURNS, trade.parcel(lines=[line(shelf["good"])], authorisation_number="RA-1")), 201
    )
    url = f"{RETURNS}{drafted['id']}/"
    refused(api(manager).post(f"{url}reject/", {"reason": "x"}), 409, "core.move_not_allowed")
    done(api(manager).post(f"{url}send/", {}))
    rejected = done(api(manager).post(f"{url}reject/", {"reason": "Too old"}))
    assert (rejected["state"], rejected["ended_reason"]) == ("rejected", "Too old")
    assert lots()["K7731"] == (2, 0)
    refused(api(manager).post(f"{url}credit/", {"amount": "1", "credit_note": "C"}), 409, "core.move_not_allowed")


def test_a_draft_is_given_up_without_moving_anything(api, manager, trade, shelf):
    drafted = done(api(manager).post(RETURNS, trade.parcel(lines=[line(shelf["good"])])), 201)
    done(api(manager).post(f"{RETURNS}{drafted['id']}/cancel/", {"reason": "Kept after all"}))
    assert lots()["K7731"] == (3, 0)
    assert not Movement.objects.everywhere("test").filter(kind="supplier_return").exists()


@pytest.mark.parametrize(
    ("change", "status", "code"),
    [
        ({"quantity": 0}, 422, "purchasing.nothing_returned"),
        ({"quantity": -1}, 422, "purchasing.nothing_returned"),
        ({"quantity": 4}, 409, "purchasing.not_returnable"),
        ({"reason": ""}, 400, "core.malformed"),
        ({"lot": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
    ],
)
def test_a_line_that_cannot_go_back_is_refused(api, manager, trade, shelf, change, status, code):
    body = trade.parcel(lines=[line(shelf["good"]) | change])
    refused(api(manager).post(RETURNS, body), status, code)
    assert not SupplierReturn.objects.everywhere("test").exists()
    assert not events_of("purchasing.return_drafted")


def test_a_return_has_lines_each_of_another_lot_of_its_supplier(api, manager, trade, shelf):
    refused(api(manager).post(RETURNS, trade.parcel(lines=[])), 422, "purchasing.nothing_returned")
    twice = trade.parcel(lines=[line(shelf["good"]), line(shelf["good"])])
    refused(api(manager).post(RETURNS, twice), 409, "purchasing.not_returnable")
    other = Supplier.objects.create(name="Burdock (invented)")
    body = trade.parcel(lines=[line(shelf["good"])]) | {"supplier": str(other.id)}
    refused(api(manager).post(RETURNS, body), 409, "purchasing.not_returnable")


def test_pieces_promised_since_the_draft_do_not_leave(api, manager, trade, shelf, mill):
    lines = [line(shelf["wrong"]), line(shelf["good"], 3)]
    drafted = done(api(manager).post(RETURNS, trade.parcel(lines=lines, authorisation_number="RA-1")), 201)
    stock_reserve(actor=system("test"), branch=mill, item=shelf["good"].item, document="orders/x", part="right")
    refused(api(manager).post(f"{RETURNS}{drafted['id']}/send/", {}), 409, "stock.not_enough_available")
    assert lots() == {"K7731": (3, 1), shelf["wrong"].code: (1, 0)}
    assert SupplierReturn.objects.everywhere("test").get().state == "draft"


def test_who_may_send_back(api, clerk, outsider, manager, trade, shelf):
    body = trade.parcel(lines=[line(shelf["good"])])
    assert api(clerk).post(RETURNS, body).status_code == 403
    assert api(outsider).post(RETURNS, body).status_code == 404
    drafted = done(api(manager).post(RETURNS, body), 201)
    assert api(clerk).get(f"{RETURNS}{drafted['id']}/").status_code == 200
    assert api(outsider).get(f"{RETURNS}{drafted['id']}/").status_code == 404
    assert api(outsider).post(f"{RETURNS}{drafted['id']}/cancel/", {"reason": "x"}).status_code == 404


def test_the_list_costs_the_same_for_one_row_and_for_five(api, manager, trade, shelf, queries):
    client = api(manager)

    def draft():
        done(client.post(RETURNS, trade.parcel(lines=[line(shelf["good"]), line(shelf["wrong"])])), 201)

    draft()
    one = queries(lambda: client.get(RETURNS))
    for _ in range(4):
        draft()
    assert queries(lambda: client.get(RETURNS)) == one <= 8
