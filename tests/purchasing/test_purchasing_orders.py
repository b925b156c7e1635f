"""Purchase orders: drafted at the prices of the day, sent, and what is not delivered called off."""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.purchasing.models import Offer, PurchaseOrder, Supplier, SupplierPrice
from opticshop.stock.models import StockItem
from tests.purchasing.conftest import ORDERS, done, events_of, expected, price, refused

pytestmark = pytest.mark.django_db


def test_a_draft_takes_its_costs_from_the_price_list(api, manager, trade):
    frame = {"frame": str(trade.frame.id), "quantity": 2}
    order = done(api(manager).post(ORDERS, trade.order(trade.line(4), trade.line(2, "-3.00", "0"), frame)), 201)
    assert order["number"] == "MILL-P-2026-00001"
    assert order["state"] == "draft"
    # The price for the one power goes before the one for all powers: 4 x 4.00 + 2 x 4.20 + 2 x 31.00.
    assert [line["unit_cost"] for line in order["lines"]] == ["4.00", "4.20", "31.00"]
    assert order["total"] == "86.40"
    assert order["allowed_moves"] == ["cancelled", "sent"]
    assert expected() == 0
    assert events_of("purchasing.purchase_order_drafted")[0]["number"] == order["number"]


def test_the_newest_price_that_has_begun_holds(api, manager, trade):
    offer = Offer.objects.get(lens=trade.lens)
    price(offer, "4.50", valid_from="2026-03-02")
    price(offer, "9.00", valid_from="2026-03-03")
    order = done(api(manager).post(ORDERS, trade.order(trade.line(1, "-3.00", "0"))), 201)
    assert order["lines"][0]["unit_cost"] == "4.50"


def test_a_power_in_either_form_is_one_item(api, manager, trade):
    """+0.50 / +0.50 is +1.00 / -0.50 (trade dossier 8)."""
    body = trade.order(trade.line(1, "0.50", "0.50"), trade.line(1, "1.00", "-0.50"))
    refused(api(manager).post(ORDERS, body), 422, "purchasing.item_twice")
    assert not PurchaseOrder.objects.everywhere("test").exists()


def test_sending_makes_pieces_expected(api, manager, trade, sent):
    order = sent(trade.line(4), trade.line(2, "-3.00", "0"))
    assert (order["state"], expected()) == ("sent", 6)
    assert order["expected_on"] == "2026-03-05"  # three working days after Monday 2 March
    assert events_of("purchasing.purchase_order_sent")[0]["total"] == "24.40"
    refused(api(manager).post(f"{ORDERS}{order['id']}/send/", {}), 409, "core.move_not_allowed")
    assert expected() == 6


def test_the_longest_lead_time_of_its_articles_counts(api, manager, trade, sent):
    Offer.objects.filter(frame=trade.frame).update(lead_time_days=10)
    order = sent(trade.line(4), {"frame": str(trade.frame.id), "quantity": 1})
    assert order["expected_on"] == "2026-03-16"


def test_an_order_below_the_minimum_is_sent_only_knowingly(api, manager, trade):
    Supplier.objects.update(minimum_order="50.00")
    order = done(api(manager).post(ORDERS, trade.order()), 201)
    url = f"{ORDERS}{order['id']}/send/"
    problem = refused(api(manager).post(url, {}), 409, "purchasing.below_minimum")
    assert problem["errors"][0]["allowed"] == {"minimum": "50.00"}
    assert expected() == 0
    done(api(manager).post(url, {"accept_below_minimum": True}))


def test_a_draft_is_amended_under_its_version(api, manager, trade):
    order = done(api(manager).post(ORDERS, trade.order()), 201)
    client, url = api(manager), f"{ORDERS}{order['id']}/"
    refused(client.patch(url, {"note": "x"}), 428, "core.precondition_required")
    amended = done(client.patch(url, {"lines": [trade.line(6)]}, headers={"If-Match": '"1"'}))
    assert (amended["total"], amended["version"]) == ("24.00", 2)
    refused(client.patch(url, {"note": "x"}, headers={"If-Match": '"1"'}), 412, "core.version_mismatch")
    refused(client.post(f"{url}send/", {}, headers={"If-Match": '"1"'}), 412, "core.version_mismatch")
    done(client.post(f"{url}send/", {}, headers={"If-Match": '"2"'}))
    refused(client.patch(url, {"note": "x"}, headers={"If-Match": '"3"'}), 409, "purchasing.not_a_draft")
    assert [event["fields"] for event in events_of("purchasing.purchase_order_amended")] == [["lines"]]


def test_calling_off_an_order_that_was_sent_takes_its_pieces_off(api, manager, trade, sent):
    order = sent()
    url = f"{ORDERS}{order['id']}/cancel/"
    cancelled = done(api(manager).post(url, {"reason": "Supplier has none"}))
    assert (cancelled["state"], expected()) == ("cancelled", 0)
    assert cancelled["lines"][0]["cancelled"] == 4
    refused(api(manager).post(url, {"reason": "Again"}), 409, "core.move_not_allowed")
    [event] = events_of("purchasing.purchase_order_cancelled")
    assert (event["pieces"], event["reason"]) == (4, "Supplier has none")


def test_a_draft_is_cancelled_without_anything_expected(api, manager, trade):
    order = done(api(manager).post(ORDERS, trade.order()), 201)
    done(api(manager).post(f"{ORDERS}{order['id']}/cancel/", {"reason": "Not needed"}))
    assert expected() == 0
    assert not OutboxEvent.objects.filter(type="stock.expected").exists()


@pytest.mark.parametrize(
    ("line", "status", "code"),
    [
        ({"quantity": 0}, 422, "purchasing.quantity_impossible"),
        ({"quantity": -4}, 422, "purchasing.quantity_impossible"),
        ({"unit_cost": "4.005"}, 400, "core.malformed"),
        ({"unit_cost": "-1.00"}, 400, "core.malformed"),
        ({"sphere_dpt": "-9.00"}, 422, "stock.power_not_stocked"),
        ({"sphere_dpt": "-2.10"}, 422, "stock.power_not_stocked"),
        ({"lens": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
        ({"frame": "01890a5d-ac96-774b-bcce-b302099a8057"}, 400, "core.malformed"),
        ({"eye": "right"}, 400, "core.malformed"),
    ],
)
def test_a_line_that_cannot_be_ordered_is_refused(api, manager, trade, line, status, code):
    refused(api(manager).post(ORDERS, trade.order(trade.line() | line)), status, code)
    assert not PurchaseOrder.objects.everywhere("test").exists()
    assert not StockItem.objects.exists()
    assert not OutboxEvent.objects.filter(type__startswith="purchasing.").exists()


def test_nothing_is_ordered_without_lines_or_a_known_cost(api, manager, trade):
    refused(api(manager).post(ORDERS, trade.order() | {"lines": []}), 422, "purchasing.nothing_ordered")
    SupplierPrice.objects.all().delete()
    problem = refused(api(manager).post(ORDERS, trade.order()), 409, "purchasing.cost_unknown")
    assert problem["errors"][0]["pointer"] == "#/lines/0/unit_cost"
    done(api(manager).post(ORDERS, trade.order(trade.line(unit_cost="4.40"))), 201)


def test_packets_are_ordered_whole(api, manager, trade):
    SupplierPrice.objects.update(pack_size=2)
    problem = refused(api(manager).post(ORDERS, trade.order(trade.line(3))), 422, "purchasing.quantity_impossible")
    assert problem["errors"][0]["allowed"] == "a multiple of 2"


def test_a_retired_supplier_gets_no_orders(api, manager, trade):
    order = done(api(manager).post(ORDERS, trade.order()), 201)
    Supplier.objects.update(is_active=False)
    refused(api(manager).post(ORDERS, trade.order()), 409, "purchasing.supplier_inactive")
    refused(api(manager).post(f"{ORDERS}{order['id']}/send/", {}), 409, "purchasing.supplier_inactive")


def test_only_managers_order_and_only_for_their_branch(api, manager, clerk, hand, outsider, trade, sent):
    order = sent()
    for person in (clerk, hand):
        assert api(person).post(ORDERS, trade.order()).status_code == 403
        assert done(api(person).get(f"{ORDERS}{order['id']}/"))["number"] == order["number"]
    assert api(outsider).get(f"{ORDERS}{order['id']}/").status_code == 404
    assert api(outsider).post(f"{ORDERS}{order['id']}/cancel/", {"reason": "x"}).status_code == 404
    assert api(outsider).post(ORDERS, trade.order()).status_code == 404
    assert api(outsider).get(ORDERS).data["results"] == []
    assert api(None).get(ORDERS).status_code == 401


def test_a_repeat_with_the_same_key_drafts_once(api, manager, trade):
    headers = {"Idempotency-Key": "draft-1"}
    first, second = (api(manager).post(ORDERS, trade.order(), headers=headers) for _ in range(2))
    assert first.json()["id"] == second.json()["id"]
    assert PurchaseOrder.objects.everywhere("test").count() == 1


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, manager, trade, sent, queries):
    sent()
    client = api(manager)
    one = queries(lambda: client.get(ORDERS))
    for number in range(9):
        sent(trade.line(1), trade.line(2, f"-{number % 5 + 1}.25", "0"))
    assert len(client.get(ORDERS).data["results"]) == 10
    assert queries(lambda: client.get(ORDERS)) == one <= 8


def test_drafting_costs_one_query_more_per_line(api, manager, trade, queries):
    spheres = [f"-{n // 4}.{n % 4 * 25:02d}" for n in range(20)]
    lines = [trade.line(1, sphere, "0") for sphere in spheres]
    done(api(manager).post(ORDERS, trade.order(*lines)), 201)  # items exist from now on
    few = queries(lambda: done(api(manager).post(ORDERS, trade.order(*lines[:2])), 201))
    many = queries(lambda: done(api(manager).post(ORDERS, trade.order(*lines)), 201))
    assert many - few <= 18  # each item is found; articles and prices are fetched together
