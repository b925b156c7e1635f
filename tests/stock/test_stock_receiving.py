"""Goods in through the API: what is counted, under which power, and what is refused."""

from __future__ import annotations

import pytest

from opticshop.accounts.models import Membership
from opticshop.core.models import OutboxEvent
from opticshop.stock.models import Lot, Movement, StockItem
from tests.conftest import member
from tests.factories import LensProductFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/stock/receipts/"


def lenses(mill, product, **more):
    return {
        "branch": str(mill.id),
        "kind": "lens",
        "lens": str(product.id),
        "sphere_dpt": "-2.00",
        "cylinder_dpt": "-0.50",
        "lot_code": "L2603-17",
        "quantity": 10,
        "unit_cost": "4.20",
        **more,
    }


def frames(mill, glasses, **more):
    return {
        "branch": str(mill.id),
        "kind": "frame",
        "frame": str(glasses.id),
        "lot_code": "DN-1",
        "quantity": 1,
        "unit_cost": "31",
        **more,
    }


def nothing_was_written():
    return not (
        Lot.objects.everywhere("test").exists()
        or Movement.objects.everywhere("test").exists()
        or StockItem.objects.exists()
        or OutboxEvent.objects.exists()
    )


def test_lenses_are_taken_in_with_a_line_and_an_event(api, clerk, mill, lens):
    response = api(clerk).post(URL, lenses(mill, lens, delivery_note="DN-7"))
    assert response.status_code == 201, response.data
    assert (response.data["on_hand"], response.data["reserved"], response.data["available"]) == (10, 0, 10)
    assert response.data["item"]["description"] == "Clear 1.5 finished (invented) -2.00 / -0.50"
    line = Movement.objects.everywhere("test").get()
    assert (line.kind, line.line, line.on_hand_change, line.on_hand_after) == ("receipt", 1, 10, 10)
    assert (line.document, line.by, line.by_label) == ("deliveries/DN-7", clerk, "Clerk")
    assert str(line.unit_cost) == "4.20"
    event = OutboxEvent.objects.get()
    assert (event.type, event.branch_id, event.subject) == ("stock.received", mill.id, f"stock/{response.data['id']}")
    assert event.data == {
        "lot": response.data["id"],
        "item": response.data["item"]["id"],
        "quantity": 10,
        "document": "deliveries/DN-7",
    }


def test_a_frame_is_taken_in(api, clerk, mill, frame):
    response = api(clerk).post(URL, frames(mill, frame))
    assert response.status_code == 201, response.data
    assert response.data["item"]["sku"] == frame.sku
    assert response.data["item"]["sphere_dpt"] is None
    assert Movement.objects.everywhere("test").get().document == "deliveries/DN-1"


@pytest.mark.parametrize(
    ("sphere", "cylinder", "kept"),
    [
        # +1.00/-0.50 x 90 equals +0.50/+0.50 x 180 (trade dossier, section 8; optics, high confidence).
        ("+0.50", "+0.50", ("1.00", "-0.50")),
        ("1.00", "-0.50", ("1.00", "-0.50")),
        ("-2.00", None, ("-2.00", "0.00")),
        ("0", "0", ("0.00", "0.00")),
        ("-0.00", "-0.00", ("0.00", "0.00")),
        ("-0.50", "0.50", ("0.00", "-0.50")),
    ],
)
def test_either_cylinder_form_lies_in_the_same_drawer(api, clerk, mill, lens, sphere, cylinder, kept):
    body = lenses(mill, lens, sphere_dpt=sphere, cylinder_dpt=cylinder)
    if cylinder is None:
        del body["cylinder_dpt"]
    item = api(clerk).post(URL, body).data["item"]
    assert (item["sphere_dpt"], item["cylinder_dpt"]) == kept


def test_both_forms_of_one_power_are_one_item_and_one_lot(api, clerk, mill, lens):
    client = api(clerk)
    first = client.post(URL, lenses(mill, lens, sphere_dpt="1.00", cylinder_dpt="-0.50"))
    second = client.post(URL, lenses(mill, lens, sphere_dpt="0.50", cylinder_dpt="0.50", quantity=5))
    assert second.data["id"] == first.data["id"]
    assert second.data["on_hand"] == 15
    lines = Movement.objects.everywhere("test").order_by("line").values_list("line", "on_hand_after")
    assert list(lines) == [(1, 10), (2, 15)]


@pytest.mark.parametrize(
    ("more", "pointer"),
    [
        ({"sphere_dpt": "-6.25"}, "#/sphere_dpt"),
        ({"sphere_dpt": "4.00", "cylinder_dpt": "0.25"}, "#/sphere_dpt"),  # +4.25 / -0.25 in minus form
        ({"sphere_dpt": "-2.10"}, "#/sphere_dpt"),
        ({"cylinder_dpt": "-2.25"}, "#/cylinder_dpt"),
        ({"sphere_dpt": "0", "cylinder_dpt": "2.25"}, "#/cylinder_dpt"),
        ({"cylinder_dpt": "-0.30"}, "#/cylinder_dpt"),
    ],
)
def test_a_power_out_of_range_or_off_the_step_is_refused_with_the_range(api, clerk, mill, lens, more, pointer):
    response = api(clerk).post(URL, lenses(mill, lens, **more))
    assert (response.status_code, response.data["code"]) == (422, "stock.power_not_stocked"), response.data
    error = response.data["errors"][0]
    assert error["pointer"] == pointer
    assert error["allowed"] == ("sphere -6.00 to +4.00, cylinder 0 to -2.00 D in minus-cylinder form, in steps of 0.25")
    assert nothing_was_written()


@pytest.mark.parametrize("odd", [{"kind": "multifocal"}, {"supply": "made_to_order"}])
def test_a_lens_made_for_one_wearer_is_not_kept_by_power(api, clerk, mill, odd):
    product = LensProductFactory(**odd)
    response = api(clerk).post(URL, lenses(mill, product))
    assert (response.status_code, response.data["code"]) == (422, "stock.not_a_stock_lens")
    assert nothing_was_written()


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"quantity": 0}, 400, "core.malformed"),
        ({"quantity": -1}, 400, "core.malformed"),
        ({"quantity": "2.5"}, 400, "core.malformed"),
        ({"quantity": 10_001}, 400, "core.malformed"),
        ({"unit_cost": "-0.01"}, 400, "core.malformed"),
        ({"unit_cost": "4.205"}, 400, "core.malformed"),
        ({"lot_code": ""}, 400, "core.malformed"),
        ({"lot_code": "a\x00b"}, 400, "core.malformed"),
        ({"kind": "case"}, 400, "core.malformed"),
        ({"kind": "frame"}, 400, "core.malformed"),
        ({"frame": "01890a5d-ac96-774b-bcce-b302099a8057"}, 400, "core.malformed"),
        ({"sphere_dpt": None}, 400, "core.malformed"),
        ({"axis_deg": 90}, 400, "core.malformed"),
        ({"lens": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
        ({"branch": "01890a5d-ac96-774b-bcce-b302099a8057"}, 404, "core.not_found"),
    ],
)
def test_bad_input_is_a_problem_and_writes_nothing(api, clerk, mill, lens, more, status, code):
    response = api(clerk).post(URL, lenses(mill, lens, **more))
    assert (response.status_code, response.data["code"]) == (status, code), response.data
    assert nothing_was_written()


def test_a_lens_needs_its_power_and_a_frame_has_none(api, clerk, mill, lens, frame):
    powerless = lenses(mill, lens)
    del powerless["sphere_dpt"]
    assert api(clerk).post(URL, powerless).data["errors"][0]["pointer"] == "#/sphere_dpt"
    powered = api(clerk).post(URL, frames(mill, frame, sphere_dpt="1.00"))
    assert powered.data["errors"][0]["pointer"] == "#/sphere_dpt"
    assert nothing_was_written()


def test_one_lot_has_one_cost(api, clerk, mill, lens):
    client = api(clerk)
    client.post(URL, lenses(mill, lens))
    other = client.post(URL, lenses(mill, lens, unit_cost="4.30"))
    assert (other.status_code, other.data["code"]) == (409, "stock.lot_cost_differs")
    assert Lot.objects.everywhere("test").get().on_hand == 10
    assert OutboxEvent.objects.count() == 1
    assert client.post(URL, lenses(mill, lens, unit_cost="4.30", lot_code="L2603-18")).status_code == 201


def test_a_cost_is_payable_in_the_branchs_currency(api, clerk, mill, lens):
    mill.currency = "JPY"
    mill.save()
    assert api(clerk).post(URL, lenses(mill, lens)).data["code"] == "stock.cost_not_payable"
    assert nothing_was_written()
    assert api(clerk).post(URL, lenses(mill, lens, unit_cost="420")).status_code == 201


def test_goods_are_received_by_those_who_may_in_their_own_branch(api, hand, outsider, bookkeeper, mill, quay, lens):
    assert api(hand).post(URL, lenses(mill, lens)).status_code == 403
    assert api(bookkeeper).post(URL, lenses(mill, lens)).status_code == 403
    assert api(None).post(URL, lenses(mill, lens)).status_code == 401
    assert api(outsider).post(URL, lenses(mill, lens)).status_code == 404
    assert nothing_was_written()
    both = member("both", "counter", quay)
    Membership.objects.create(user=both, role="workshop", branch=mill)
    assert api(both).post(URL, lenses(mill, lens)).status_code == 403
    assert nothing_was_written()
    assert api(both).post(URL, lenses(quay, lens)).status_code == 201


def test_a_repeated_request_takes_goods_in_once(api, clerk, mill, lens):
    client = api(clerk)
    answers = [client.post(URL, lenses(mill, lens), headers={"Idempotency-Key": "dn-7"}) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].content == answers[1].content
    assert Lot.objects.everywhere("test").get().on_hand == 10
    assert OutboxEvent.objects.count() == 1
