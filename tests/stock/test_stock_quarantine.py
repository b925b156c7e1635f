"""Lots kept apart, and pieces that go back to the supplier or come back from the customer."""

from __future__ import annotations

import pytest

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.stock import selectors, services
from opticshop.stock.models import Lot, Movement, Reservation
from opticshop.stock.selectors import ledger_differences

pytestmark = pytest.mark.django_db
TILL = system("till")
WHY = {"reason": "packets say -2.00, lenses read -2.50"}


def url(lot, verb="quarantine"):
    return f"/api/v1/stock/{lot.id}/{verb}/"


def reserve(branch, item, document="orders/x"):
    return services.stock_reserve(actor=TILL, branch=branch, item=item, document=document, part="right")


def told(kind):
    return OutboxEvent.objects.filter(type=kind)


def test_nothing_more_of_a_lot_in_quarantine_is_promised(api, clerk, mill, lens_item, receive):
    lot = receive(mill, lens_item, 3)
    reserve(mill, lens_item)
    response = api(clerk).post(url(lot), WHY)
    assert response.status_code == 200, response.data
    assert response.data["promised_to"] == ["orders/x"]
    assert (response.data["lot"]["on_hand"], response.data["lot"]["available"]) == (3, 0)
    assert response.data["lot"]["quarantine_reason"] == WHY["reason"]
    assert told("stock.quarantined").get().data["promised_to"] == ["orders/x"]
    assert selectors.available(mill, lens_item) == 0
    with pytest.raises(services.OutOfStock):
        reserve(mill, lens_item, "orders/y")
    assert services.stock_consume(actor=TILL, branch=mill, document="orders/x") == 1  # the old promise stands
    assert ledger_differences() == []


def test_a_younger_lot_serves_while_the_older_is_kept_apart(mill, lens_item, receive, actor_of, hand):
    old, young = receive(mill, lens_item, 1, "A"), receive(mill, lens_item, 1, "B")
    services.lot_quarantine(actor=actor_of(hand), lot=old, **WHY)
    assert reserve(mill, lens_item).lot_id == young.id


def test_only_the_manager_lets_it_go_again(api, clerk, hand, manager, outsider, bookkeeper, mill, lens_item, receive):
    lot = receive(mill, lens_item, 1)
    assert api(outsider).post(url(lot), WHY).status_code == 404
    assert api(bookkeeper).post(url(lot), WHY).status_code == 403
    api(hand).post(url(lot), WHY)
    again = api(hand).post(url(lot), WHY)
    assert (again.status_code, again.data["code"]) == (409, "stock.already_quarantined")
    assert api(clerk).post(url(lot, "lift-quarantine"), {"reason": "read again"}).status_code == 403
    response = api(manager).post(url(lot, "lift-quarantine"), {"reason": "read again, all right"})
    assert (response.status_code, response.data["available"], response.data["quarantine_reason"]) == (200, 1, "")
    assert told("stock.quarantine_lifted").get().data["reason"] == "read again, all right"
    twice = api(manager).post(url(lot, "lift-quarantine"), {"reason": "read again"})
    assert (twice.status_code, twice.data["code"]) == (409, "stock.not_quarantined")


@pytest.mark.parametrize("body", [{}, {"reason": ""}, {"reason": "  "}, {"reason": "x", "who": "me"}])
def test_it_needs_a_reason(api, manager, mill, lens_item, receive, body):
    lot = receive(mill, lens_item, 1)
    assert api(manager).post(url(lot), body).status_code == 400
    lot.refresh_from_db()
    assert not lot.is_quarantined
    assert not told("stock.quarantined").exists()


def test_a_delivery_can_be_taken_into_quarantine_but_not_mixed(api, clerk, mill, lens):
    body = {
        "branch": str(mill.id),
        "kind": "lens",
        "lens": str(lens.id),
        "sphere_dpt": "-2.00",
        "lot_code": "L1",
        "quantity": 4,
        "unit_cost": "4.20",
    }
    client = api(clerk)
    made = client.post("/api/v1/stock/receipts/", body | {"quarantine_reason": "wrong power"})
    assert (made.status_code, made.data["on_hand"], made.data["available"]) == (201, 4, 0)
    mixed = client.post("/api/v1/stock/receipts/", body)
    assert (mixed.status_code, mixed.data["code"]) == (409, "stock.lot_quarantine_differs")
    good = client.post("/api/v1/stock/receipts/", body | {"lot_code": "L2"})
    assert good.status_code == 201
    mixed = client.post("/api/v1/stock/receipts/", body | {"lot_code": "L2", "quarantine_reason": "wrong power"})
    assert mixed.status_code == 409
    assert Lot.objects.everywhere("test").count() == 2
    assert told("stock.quarantined").count() == 1


def test_pieces_go_back_to_the_supplier_out_of_quarantine_too(mill, lens_item, receive, manager, actor_of):
    lot = receive(mill, lens_item, 3)
    reserve(mill, lens_item)
    services.lot_quarantine(actor=actor_of(manager), lot=lot, **WHY)
    back = {"actor": TILL, "lot": lot, "document": "supplier-returns/1"}
    with pytest.raises(services.NotEnoughAvailable) as caught:
        services.stock_return_to_supplier(**back, quantity=3, reason="wrong power")
    assert caught.value.allowed == 2
    with pytest.raises(services.ReasonMissing):
        services.stock_return_to_supplier(**back, quantity=2, reason=" ")
    line = services.stock_return_to_supplier(**back, quantity=2, reason="wrong power")
    assert (line.kind, line.on_hand_change, line.on_hand_after) == ("supplier_return", -2, 1)
    assert (line.document, line.unit_cost) == ("supplier-returns/1", lot.unit_cost)
    assert told("stock.returned_to_supplier").get().data["quantity"] == 2
    assert ledger_differences() == []


RETURNS = "/api/v1/stock/returns/"


def brought_back(branch, **more):
    return {"branch": str(branch.id), "document": "orders/x", "part": "right", "reason": "unopened", **more}


def test_a_piece_comes_back_from_the_customer_once(api, clerk, mill, lens_item, receive):
    lot = receive(mill, lens_item, 2)
    reserve(mill, lens_item)
    client = api(clerk)
    early = client.post(RETURNS, brought_back(mill))
    assert (early.status_code, early.data["code"]) == (409, "stock.nothing_to_return")
    services.stock_consume(actor=TILL, branch=mill, document="orders/x")
    response = client.post(RETURNS, brought_back(mill))
    assert (response.status_code, response.data["id"], response.data["on_hand"]) == (201, str(lot.id), 2)
    assert client.post(RETURNS, brought_back(mill)).status_code == 409
    line = Movement.objects.everywhere("test").order_by("-line").first()
    assert (line.kind, line.on_hand_change, line.reason, line.by) == ("customer_return", 1, "unopened", clerk)
    assert Reservation.objects.everywhere("test").get().state == "returned"
    assert told("stock.returned_by_customer").get().data["part"] == "right"
    assert ledger_differences() == []


def test_another_branch_takes_nothing_back(api, hand, outsider, mill, quay, lens_item, receive):
    receive(mill, lens_item, 2)
    reserve(mill, lens_item)
    services.stock_consume(actor=TILL, branch=mill, document="orders/x")
    assert api(outsider).post(RETURNS, brought_back(mill)).status_code == 404
    assert api(outsider).post(RETURNS, brought_back(quay)).status_code == 409
    assert api(hand).post(RETURNS, brought_back(mill)).status_code == 403
    assert api(hand).post(RETURNS, brought_back(mill, part="hinge")).status_code == 403
    assert not told("stock.returned_by_customer").exists()
