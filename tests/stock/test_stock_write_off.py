"""Writing off loose pieces of a lot through the API."""

from __future__ import annotations

import pytest

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.stock import services
from opticshop.stock.models import Movement

pytestmark = pytest.mark.django_db


def url(lot):
    return f"/api/v1/stock/{lot.id}/write-off/"


def untouched(lot, on_hand):
    lot.refresh_from_db()
    return lot.on_hand == on_hand and not OutboxEvent.objects.filter(type="stock.written_off").exists()


def test_loose_pieces_are_written_off_with_a_reason(api, hand, mill, lens_item, receive):
    lot = receive(mill, lens_item, 5)
    response = api(hand).post(url(lot), {"quantity": 2, "reason": "scratched while unpacking"})
    assert response.status_code == 200, response.data
    assert (response.data["on_hand"], response.data["available"]) == (3, 3)
    line = Movement.objects.everywhere("test").get(kind="write_off")
    assert (line.on_hand_change, line.reserved_change, line.by) == (-2, 0, hand)
    assert (line.reason, line.document) == ("scratched while unpacking", f"stock/{lot.id}")
    event = OutboxEvent.objects.get(type="stock.written_off")
    assert (event.data["lot"], event.data["quantity"]) == (str(lot.id), 2)


def test_promised_pieces_are_not_touched(api, manager, mill, lens_item, receive):
    lot = receive(mill, lens_item, 2)
    services.stock_reserve(actor=system("till"), branch=mill, item=lens_item, document="orders/x", part="right")
    response = api(manager).post(url(lot), {"quantity": 2, "reason": "stolen"})
    assert (response.status_code, response.data["code"]) == (409, "stock.not_enough_available")
    assert response.data["errors"][0]["allowed"] == 1
    assert untouched(lot, 2)


@pytest.mark.parametrize(
    "body",
    [
        {"quantity": 1, "reason": ""},
        {"quantity": 1, "reason": "   "},
        {"quantity": 1},
        {"quantity": 0, "reason": "x"},
        {"quantity": -1, "reason": "x"},
        {"quantity": 1, "reason": "x" * 201},
    ],
)
def test_bad_input_writes_nothing_off(api, manager, mill, lens_item, receive, body):
    lot = receive(mill, lens_item, 2)
    assert api(manager).post(url(lot), body).status_code == 400
    assert untouched(lot, 2)


def test_another_branchs_lot_looks_like_none_and_the_counter_may_not(
    api, clerk, outsider, bookkeeper, mill, lens_item, receive
):
    lot = receive(mill, lens_item, 2)
    body = {"quantity": 1, "reason": "x"}
    assert api(outsider).post(url(lot), body).status_code == 404
    assert api(clerk).post(url(lot), body).status_code == 403
    assert api(bookkeeper).post(url(lot), body).status_code == 403
    assert api(None).post(url(lot), body).status_code == 401
    assert untouched(lot, 2)


def test_a_repeated_request_writes_off_once(api, manager, mill, lens_item, receive):
    lot = receive(mill, lens_item, 5)
    for _ in range(2):
        api(manager).post(url(lot), {"quantity": 1, "reason": "x"}, headers={"Idempotency-Key": "k"})
    lot.refresh_from_db()
    assert lot.on_hand == 4
