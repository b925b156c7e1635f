"""Goods in by scan: matched with what was ordered, short and over, wrong powers kept off the shelf, all or nothing.

The limits that readings are judged by are those of ISO 8980-1:2017 as its plugin carries them (from memory,
unconfirmed): 0.12 D for a highest power up to 6.
"""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.purchasing.models import Delivery, Offer, PurchaseOrder, Supplier, SupplierPrice
from opticshop.stock.models import Lot, Movement
from opticshop.stock.selectors import ledger_differences
from tests.purchasing.conftest import (
    DELIVERIES,
    FRAME_GTIN,
    ORDERS,
    PACKET,
    STRANGE,
    done,
    events_of,
    expected,
    lots,
    price,
    refused,
)

pytestmark = pytest.mark.django_db
GOOD = {"sphere_dpt": "-2.02", "cylinder_dpt": "-0.50", "axis_deg": 40}
WRONG = {"sphere_dpt": "-2.50", "cylinder_dpt": "-0.50", "axis_deg": 40}


def packet(quantity=1, lot="K7731", **more):
    return {"code": f"(01){PACKET}(10){lot}", "quantity": quantity, **more}


def state_of(order):
    return PurchaseOrder.objects.everywhere("test").get(id=order["id"]).state


def no_movement():
    return not Movement.objects.everywhere("test").exists()


def test_a_whole_delivery_fills_its_order(api, clerk, trade, sent, opened):
    order, url = sent(), opened()
    client = api(clerk)
    line = done(client.post(f"{url}scan/", packet(4)), 201)["lines"][0]
    assert (line["gtin"], line["lot_code"], line["quantity"], line["unit_cost"]) == (PACKET, "K7731", 4, "4.00")
    assert no_movement()
    delivery = done(client.post(f"{url}confirm/", {}))
    assert delivery["state"] == "confirmed"
    assert delivery["lines"][0]["matches"] == [
        {"purchase_order": order["id"], "number": order["number"], "position": 1, "quantity": 4}
    ]
    assert delivery["shortages"] == []
    assert (lots(), expected(), state_of(order)) == ({"K7731": (4, 0)}, 0, "received")
    assert Movement.objects.everywhere("test").get().document == f"deliveries/{delivery['id']}"
    [event] = events_of("purchasing.delivery_confirmed")
    assert {name: event[name] for name in ("received", "over", "short", "quarantined")} == {
        "received": 4,
        "over": 0,
        "short": 0,
        "quarantined": 0,
    }
    assert events_of("purchasing.purchase_order_received")[0]["state"] == "received"
    assert ledger_differences() == []


def test_scanning_the_same_packet_again_adds_to_its_line(api, clerk, sent, opened):
    sent()
    url = opened()
    for _ in range(3):
        delivery = done(api(clerk).post(f"{url}scan/", packet()), 201)
    assert [(line["position"], line["quantity"]) for line in delivery["lines"]] == [(1, 3)]
    other = done(api(clerk).post(f"{url}scan/", packet(lot="K7732")), 201)
    assert [line["lot_code"] for line in other["lines"]] == ["K7731", "K7732"]
    assert len(events_of("purchasing.delivery_scanned")) == 4


def test_a_short_delivery_is_noted_and_the_rest_stays_expected(api, clerk, manager, sent, opened):
    order, url = sent(), opened()
    done(api(clerk).post(f"{url}scan/", packet(3)), 201)
    delivery = done(api(clerk).post(f"{url}confirm/", {}))
    assert [(row["number"], row["missing"]) for row in delivery["shortages"]] == [(order["number"], 1)]
    assert (state_of(order), expected()) == ("part_received", 1)
    second = opened()
    done(api(clerk).post(f"{second}scan/", packet(1)), 201)
    done(api(clerk).post(f"{second}confirm/", {}))
    assert (state_of(order), expected(), lots()) == ("received", 0, {"K7731": (4, 0)})


def test_the_rest_of_a_part_received_order_is_called_off(api, clerk, manager, sent, opened):
    order, url = sent(), opened()
    done(api(clerk).post(f"{url}scan/", packet(3)), 201)
    done(api(clerk).post(f"{url}confirm/", {}))
    closed = done(api(manager).post(f"{ORDERS}{order['id']}/cancel/", {"reason": "Discontinued"}))
    assert (closed["state"], expected()) == ("received", 0)
    assert [(line["received"], line["cancelled"]) for line in closed["lines"]] == [(3, 1)]


def test_more_than_was_ordered_needs_a_reason(api, clerk, sent, opened):
    order, url = sent(), opened()
    problem = refused(api(clerk).post(f"{url}scan/", packet(6)), 409, "purchasing.beyond_order")
    assert problem["errors"][0]["allowed"]["quantity"] == 4
    assert not events_of("purchasing.delivery_scanned")
    done(api(clerk).post(f"{url}scan/", packet(6, over_reason="Free of charge")), 201)
    line = done(api(clerk).post(f"{url}confirm/", {}))["lines"][0]
    assert (line["over"], line["over_reason"], line["matches"][0]["quantity"]) == (2, "Free of charge", 4)
    assert (state_of(order), expected(), lots()) == ("received", 0, {"K7731": (6, 0)})


def test_what_nobody_ordered_is_beyond_order_too(api, clerk, trade, opened):
    refused(api(clerk).post(f"{opened()}scan/", packet()), 409, "purchasing.beyond_order")


def test_what_another_parcel_filled_meanwhile_is_found_on_confirming(api, clerk, sent, opened):
    sent()
    first, second = opened(), opened()
    for url in (first, second):
        done(api(clerk).post(f"{url}scan/", packet(4)), 201)
    done(api(clerk).post(f"{first}confirm/", {}))
    problem = refused(api(clerk).post(f"{second}confirm/", {}), 409, "purchasing.beyond_order")
    assert problem["line"] == 1
    assert lots() == {"K7731": (4, 0)}
    done(api(clerk).post(f"{second}accept-over/", {"line": 1, "reason": "Sent twice, kept"}))
    assert done(api(clerk).post(f"{second}confirm/", {}))["lines"][0]["over"] == 4
    assert lots() == {"K7731": (8, 0)}
    assert events_of("purchasing.over_delivery_accepted")[0]["reason"] == "Sent twice, kept"


def test_the_oldest_order_is_filled_first(api, clerk, trade, sent, opened):
    older, newer = sent(trade.line(2)), sent(trade.line(2))
    url = opened()
    done(api(clerk).post(f"{url}scan/", packet(3)), 201)
    matches = done(api(clerk).post(f"{url}confirm/", {}))["lines"][0]["matches"]
    assert {row["number"]: row["quantity"] for row in matches} == {older["number"]: 2, newer["number"]: 1}
    assert (state_of(older), state_of(newer)) == ("received", "part_received")


def test_a_parcel_for_one_order_leaves_the_others_alone(api, clerk, trade, sent, opened):
    older, newer = sent(trade.line(2)), sent(trade.line(2))
    url = opened(purchase_orders=[newer["id"]])
    done(api(clerk).post(f"{url}scan/", packet(2)), 201)
    done(api(clerk).post(f"{url}confirm/", {}))
    assert (state_of(older), state_of(newer)) == ("sent", "received")


def test_a_parcel_is_for_open_orders_of_its_supplier(api, clerk, manager, trade, sent):
    draft = done(api(manager).post(ORDERS, trade.order()), 201)
    body = trade.parcel(purchase_orders=[draft["id"]])
    refused(api(clerk).post(DELIVERIES, body), 422, "purchasing.order_not_awaited")
    other = Supplier.objects.create(name="Burdock (invented)")
    body = trade.parcel(purchase_orders=[sent()["id"]]) | {"supplier": str(other.id)}
    refused(api(clerk).post(DELIVERIES, body), 422, "purchasing.order_not_awaited")
    assert not Delivery.objects.everywhere("test").exists()


def test_a_wrong_power_packet_never_reaches_the_shelf(api, clerk, manager, trade, sent, opened):
    order, url = sent(), opened()
    done(api(clerk).post(f"{url}scan/", packet(2)), 201)
    done(api(clerk).post(f"{url}scan/", packet(reading=GOOD)), 201)
    lines = done(api(clerk).post(f"{url}scan/", packet(reading=WRONG)), 201)["lines"]
    assert [line["outcome"] for line in lines] == ["unread", "pass", "fail"]
    assert lines[2]["standard"] == "iso-8980-2017"
    assert lines[2]["verdict"]["outcome"] == "fail"
    delivery = done(api(clerk).post(f"{url}confirm/", {}))
    assert delivery["shortages"][0]["missing"] == 1
    assert (state_of(order), expected()) == ("part_received", 1)
    apart = Lot.objects.everywhere("test").get(is_quarantined=True)
    assert apart.code == f"Q {delivery['number']}/3"
    assert "K7731 out of tolerance by iso-8980-2017" in apart.quarantine_reason
    assert str(apart.id) == delivery["lines"][2]["lot"]
    query = f"branch={trade.branch.id}&lens={trade.lens.id}&sphere_dpt=-2.00&cylinder_dpt=-0.50"
    assert done(api(clerk).get(f"/api/v1/stock/find/?{query}"))["available"] == 3
    assert events_of("purchasing.delivery_confirmed")[0]["quarantined"] == 1
    assert ledger_differences() == []


@pytest.mark.parametrize("axis", [1, 40, 90, 180])
def test_the_axis_at_which_a_round_lens_lay_does_not_matter(api, clerk, sent, opened, axis):
    sent()
    reading = {"sphere_dpt": "-2.50", "cylinder_dpt": "0.50", "axis_deg": axis}  # the plus form of -2.00 / -0.50
    assert done(api(clerk).post(f"{opened()}scan/", packet(reading=reading)), 201)["lines"][0]["outcome"] == "pass"


def test_a_reading_is_of_one_packet_and_of_a_lens(api, clerk, trade, sent, opened):
    sent(trade.line(4), {"frame": str(trade.frame.id), "quantity": 1})
    url = opened()
    refused(api(clerk).post(f"{url}scan/", packet(2, reading=GOOD)), 422, "purchasing.quantity_scanned_wrong")
    frame = {"code": FRAME_GTIN, "reading": GOOD}
    refused(api(clerk).post(f"{url}scan/", frame), 422, "purchasing.reading_impossible")
    no_axis = {"sphere_dpt": "-2.00", "cylinder_dpt": "-0.50"}
    refused(api(clerk).post(f"{url}scan/", packet(reading=no_axis)), 400, "core.malformed")


@pytest.mark.parametrize(
    ("scan", "status", "code"),
    [
        ({"code": STRANGE}, 422, "purchasing.unknown_gtin"),
        ({"code": "4006381333930"}, 422, "catalogue.gtin_check_digit"),
        ({"code": "(01)04006381333930(10)A"}, 422, "catalogue.gtin_check_digit"),
        ({"code": "(10)A"}, 422, "purchasing.code_unreadable"),
        ({"code": "K9999"}, 422, "purchasing.unknown_packet"),
        (packet(0), 422, "purchasing.quantity_scanned_wrong"),
        (packet(-3), 422, "purchasing.quantity_scanned_wrong"),
        (packet(lot_code="OTHER"), 422, "purchasing.lot_differs"),
        (packet(sphere_dpt="-3.00"), 422, "purchasing.power_differs"),
        (packet(cylinder_dpt="-0.50"), 400, "core.malformed"),
        (packet(unit_cost="-1.00"), 400, "core.malformed"),
        ({"code": FRAME_GTIN, "sphere_dpt": "-2.00"}, 422, "purchasing.power_differs"),
        ({}, 400, "core.malformed"),
    ],
)
def test_a_packet_that_is_not_understood_is_refused(api, clerk, sent, opened, scan, status, code):
    sent()
    url = opened()
    refused(api(clerk).post(f"{url}scan/", scan), status, code)
    assert done(api(clerk).get(url))["lines"] == []
    assert not events_of("purchasing.delivery_scanned")


def test_the_number_of_a_product_needs_the_power_on_the_packet(api, clerk, trade, sent, opened):
    SupplierPrice.objects.filter(gtin=PACKET).delete()
    trade.lens.gtin = PACKET
    trade.lens.save()
    sent(trade.line(2, "1.00", "-0.50", unit_cost="4.20"))
    url = opened()
    refused(api(clerk).post(f"{url}scan/", packet()), 422, "purchasing.power_needed")
    scan = packet(2, sphere_dpt="0.50", cylinder_dpt="0.50")  # the same power in plus form
    line = done(api(clerk).post(f"{url}scan/", scan), 201)["lines"][0]
    assert (line["item"]["sphere_dpt"], line["item"]["cylinder_dpt"]) == ("1.00", "-0.50")


def test_our_own_lot_code_and_frames_without_a_lot_are_scanned(api, clerk, trade, sent, opened):
    frame = {"frame": str(trade.frame.id), "quantity": 1}
    sent(trade.line(4), frame)
    first = opened()
    done(api(clerk).post(f"{first}scan/", packet(1)), 201)
    delivery = done(api(clerk).post(f"{first}scan/", {"code": FRAME_GTIN}), 201)
    assert delivery["lines"][1]["lot_code"] == delivery["number"]
    done(api(clerk).post(f"{first}confirm/", {}))
    second = opened()
    line = done(api(clerk).post(f"{second}scan/", {"code": "K7731", "quantity": 3}), 201)["lines"][0]
    assert (line["item"]["sphere_dpt"], line["gtin"], line["quantity"]) == ("-2.00", "", 3)
    done(api(clerk).post(f"{second}confirm/", {}))
    assert lots()["K7731"] == (4, 0)


def test_packets_of_several_pieces_are_counted_in_pieces(api, clerk, trade, sent, opened):
    SupplierPrice.objects.update(pack_size=2)
    sent(trade.line(4))
    line = done(api(clerk).post(f"{opened()}scan/", packet(2)), 201)["lines"][0]
    assert line["quantity"] == 4


def test_a_lot_has_one_cost(api, clerk, sent, opened):
    sent()
    url = opened()
    done(api(clerk).post(f"{url}scan/", packet(1)), 201)
    problem = refused(api(clerk).post(f"{url}scan/", packet(1, unit_cost="4.10")), 409, "stock.lot_cost_differs")
    assert problem["errors"][0]["allowed"] == "4.00"


def test_a_supplier_in_another_currency_needs_the_cost_in_ours(api, clerk, trade, opened, manager):
    Supplier.objects.update(currency="EUR")
    SupplierPrice.objects.update(currency="EUR")
    order = done(api(manager).post(ORDERS, trade.order()), 201)
    assert order["currency"] == "EUR"
    done(api(manager).post(f"{ORDERS}{order['id']}/send/", {}))
    url = opened()
    refused(api(clerk).post(f"{url}scan/", packet()), 409, "purchasing.cost_unknown")
    assert done(api(clerk).post(f"{url}scan/", packet(unit_cost="3.45")), 201)["lines"][0]["unit_cost"] == "3.45"


def test_a_line_is_taken_out_and_an_empty_parcel_is_not_confirmed(api, clerk, sent, opened):
    sent()
    url = opened()
    done(api(clerk).post(f"{url}scan/", packet()), 201)
    refused(api(clerk).post(f"{url}remove-line/", {"line": 7}), 422, "purchasing.line_not_there")
    done(api(clerk).post(f"{url}remove-line/", {"line": 1}))
    refused(api(clerk).post(f"{url}confirm/", {}), 409, "purchasing.nothing_scanned")
    done(api(clerk).post(f"{url}discard/", {"reason": "Not ours"}))
    refused(api(clerk).post(f"{url}scan/", packet()), 409, "purchasing.delivery_not_open")
    assert no_movement()
    assert expected() == 4
    kinds = [event.type for event in OutboxEvent.objects.filter(type__startswith="purchasing.delivery").order_by("id")]
    assert [kind.split("_", 1)[1] for kind in kinds] == ["opened", "scanned", "line_removed", "discarded"]


def test_a_confirmed_parcel_is_not_confirmed_twice(api, clerk, sent, opened):
    sent()
    url = opened()
    done(api(clerk).post(f"{url}scan/", packet(4)), 201)
    refused(api(clerk).post(f"{url}confirm/", {}, headers={"If-Match": '"1"'}), 412, "core.version_mismatch")
    done(api(clerk).post(f"{url}confirm/", {}, headers={"If-Match": '"2"'}))
    refused(api(clerk).post(f"{url}confirm/", {}), 409, "purchasing.delivery_not_open")
    assert lots() == {"K7731": (4, 0)}


def test_a_delivery_note_is_taken_in_once(api, clerk, trade, opened):
    opened(delivery_note="DN-1")
    body = trade.parcel(delivery_note="DN-1")
    refused(api(clerk).post(DELIVERIES, body), 409, "purchasing.delivery_note_taken")
    assert Delivery.objects.everywhere("test").count() == 1


def test_who_may_receive(api, clerk, hand, bookkeeper, outsider, trade, opened):
    url = opened()
    assert api(hand).post(DELIVERIES, trade.parcel()).status_code == 403
    assert api(hand).post(f"{url}scan/", packet()).status_code == 403
    assert api(hand).get(url).status_code == 200
    assert api(bookkeeper).get(DELIVERIES).status_code == 403
    assert api(outsider).get(url).status_code == 404
    assert api(outsider).post(f"{url}scan/", packet()).status_code == 404
    assert api(outsider).post(DELIVERIES, trade.parcel()).status_code == 404


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, trade, sent, opened, queries):
    client = api(clerk)

    def parcel(count):
        sent(trade.line(count))
        url = opened()
        done(client.post(f"{url}scan/", packet(count)), 201)
        done(client.post(f"{url}confirm/", {}))

    parcel(1)
    one = queries(lambda: client.get(DELIVERIES))
    for count in range(2, 6):
        parcel(count)
    assert queries(lambda: client.get(DELIVERIES)) == one <= 14


def test_another_suppliers_number_for_the_packet_is_understood(api, clerk, trade, sent, opened):
    """A trade item number means the same thing whoever delivers it."""
    other = Supplier.objects.create(name="Burdock (invented)")
    offer = Offer.objects.create(supplier=other, lens=trade.lens)
    price(offer, "3.80", gtin="00000000012348", power=("-2.00", "-0.50"))
    sent()
    line = done(api(clerk).post(f"{opened()}scan/", {"code": "00012348", "lot_code": "Z1"}), 201)["lines"][0]
    assert line["item"]["sphere_dpt"] == "-2.00"
