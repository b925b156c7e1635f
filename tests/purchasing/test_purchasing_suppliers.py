"""Suppliers, what they offer and what it costs: kept by head office, seen by the branches."""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.purchasing.models import BranchTravel, Offer, Supplier, SupplierPrice
from tests.factories import FrameFactory, LensProductFactory
from tests.purchasing.conftest import API, OFFERS, PACKET, PRICES, SUPPLIERS, done, events_of, refused
from tests.tags import version_in

pytestmark = pytest.mark.django_db


def new(**more):
    return {"name": "Thistle Frames (invented)", "account_number": "A-17", "lead_time_days": 4, **more}


def test_head_office_adds_a_supplier_that_branches_see(api, head_office, clerk):
    made = done(api(head_office).post(SUPPLIERS, new(currency="EUR", minimum_order="50.00")), 201)
    assert events_of("purchasing.supplier_added") == [{"supplier": made["id"]}]
    seen = done(api(clerk).get(f"{SUPPLIERS}{made['id']}/"))
    assert (seen["lead_time_days"], seen["currency"], seen["minimum_order"]) == (4, "EUR", "50.00")


def test_a_branch_does_not_edit_suppliers(api, manager, clerk, trade):
    for person in (manager, clerk):
        assert api(person).post(SUPPLIERS, new()).status_code == 403
        url = f"{SUPPLIERS}{trade.supplier.id}/"
        assert api(person).patch(url, {"note": "x"}, headers={"If-Match": '"1"'}).status_code == 403
    assert not OutboxEvent.objects.filter(type__startswith="purchasing.supplier").exists()


def test_two_suppliers_have_two_names(api, head_office):
    done(api(head_office).post(SUPPLIERS, new()), 201)
    refused(api(head_office).post(SUPPLIERS, new()), 409, "purchasing.supplier_name_taken")
    other = done(api(head_office).post(SUPPLIERS, new(name="Burdock (invented)")), 201)
    client, url = api(head_office), f"{SUPPLIERS}{other['id']}/"
    refused(
        client.patch(url, {"name": new()["name"]}, headers={"If-Match": '"1"'}), 409, "purchasing.supplier_name_taken"
    )
    assert Supplier.objects.count() == 2


def test_a_change_is_guarded_by_the_version(api, head_office, trade):
    client, url = api(head_office), f"{SUPPLIERS}{trade.supplier.id}/"
    refused(client.patch(url, {"note": "x"}), 428, "core.precondition_required")
    assert version_in(client.patch(url, {"note": "x"}, headers={"If-Match": '"1"'})) == 2
    refused(client.patch(url, {"note": "y"}, headers={"If-Match": '"1"'}), 412, "core.version_mismatch")
    assert events_of("purchasing.supplier_changed")[0]["fields"] == ["note"]


@pytest.mark.parametrize(
    "wrong", [{"lead_time_days": -1}, {"currency": "pounds"}, {"minimum_order": "-1"}, {"name": ""}, {"colour": "red"}]
)
def test_bad_supplier_values_are_refused(api, head_office, wrong):
    refused(api(head_office).post(SUPPLIERS, new(**wrong)), 400, "core.malformed")
    assert not Supplier.objects.exists()


def test_one_offer_of_an_article_is_preferred(api, head_office, trade):
    other = Supplier.objects.create(name="Burdock (invented)")
    body = {"supplier": str(other.id), "lens": str(trade.lens.id), "is_preferred": True, "lead_time_days": 1}
    made = done(api(head_office).post(OFFERS, body), 201)
    assert [offer.supplier for offer in Offer.objects.filter(is_preferred=True)] == [other]
    refused(api(head_office).post(OFFERS, body), 409, "purchasing.offer_taken")
    retired = api(head_office).patch(f"{OFFERS}{made['id']}/", {"is_active": False}, headers={"If-Match": '"1"'})
    assert done(retired)["is_preferred"] is False
    assert [event["fields"] for event in events_of("purchasing.offer_changed")] == [["is_active"]]


def test_an_offer_is_of_one_article(api, head_office, trade):
    both = {"supplier": str(trade.supplier.id), "lens": str(trade.lens.id), "frame": str(trade.frame.id)}
    refused(api(head_office).post(OFFERS, both), 400, "core.malformed")
    refused(api(head_office).post(OFFERS, {"supplier": str(trade.supplier.id)}), 400, "core.malformed")


def offer_price(trade, **more):
    offer = Offer.objects.get(lens=trade.lens)
    return {"offer": str(offer.id), "unit_cost": "5.00", "currency": "GBP", "valid_from": "2026-06-01", **more}


def test_a_price_begins_on_a_day_and_is_not_changed(api, head_office, trade):
    done(api(head_office).post(PRICES, offer_price(trade, gtin="4006381333931")), 201)
    assert SupplierPrice.objects.get(unit_cost=5).gtin == PACKET
    refused(api(head_office).post(PRICES, offer_price(trade)), 409, "purchasing.price_taken")
    assert len(events_of("purchasing.price_added")) == 1


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"unit_cost": "5.005"}, "core.malformed"),
        ({"unit_cost": "-5.00"}, "core.malformed"),
        ({"unit_cost": "5.50", "currency": "JPY"}, "purchasing.price_not_payable"),  # ISO 4217: no minor unit
        ({"gtin": "4006381333930"}, "catalogue.gtin_check_digit"),  # 1 is right: interchange dossier 6
        ({"gtin": "12"}, "catalogue.gtin_malformed"),
        ({"sphere_from_dpt": "-2.00"}, "purchasing.power_range_wrong"),
        ({"sphere_from_dpt": "-1.00", "sphere_to_dpt": "-2.00"}, "purchasing.power_range_wrong"),
        ({"sphere_from_dpt": "-7.00", "sphere_to_dpt": "-2.00"}, "purchasing.power_range_wrong"),
        ({"cylinder_from_dpt": "0.00", "cylinder_to_dpt": "0.50"}, "purchasing.power_range_wrong"),
        ({"pack_size": 0}, "core.malformed"),
    ],
)
def test_a_price_that_cannot_be_right_is_refused(api, head_office, trade, wrong, code):
    before = SupplierPrice.objects.count()
    response = api(head_office).post(PRICES, offer_price(trade, **wrong))
    assert response.status_code in {400, 422}
    assert response.json()["code"] == code
    assert SupplierPrice.objects.count() == before


def test_a_frame_has_no_powers(api, head_office, trade):
    offer = Offer.objects.get(frame=trade.frame)
    body = offer_price(trade, offer=str(offer.id), sphere_from_dpt="0.00", sphere_to_dpt="0.00")
    refused(api(head_office).post(PRICES, body), 422, "purchasing.power_range_wrong")


def test_travel_days_are_set_and_set_again(api, head_office, manager, mill, quay):
    url = f"{API}branch-travel/"
    body = {"origin": str(quay.id), "destination": str(mill.id), "days": 1}
    done(api(head_office).post(url, body))
    assert done(api(head_office).post(url, {**body, "days": 4}))["days"] == 4
    assert BranchTravel.objects.count() == 1
    itself = {**body, "destination": str(quay.id)}
    refused(api(head_office).post(url, itself), 422, "purchasing.travel_to_itself")
    assert api(manager).post(url, body).status_code == 403


def test_the_lists_cost_the_same_for_one_row_and_for_ten(api, clerk, trade, queries):
    client = api(clerk)
    before = {url: queries(lambda url=url: client.get(url)) for url in (SUPPLIERS, OFFERS, PRICES)}
    for number in range(9):
        supplier = Supplier.objects.create(name=f"Supplier {number} (invented)")
        offer = Offer.objects.create(supplier=supplier, lens=LensProductFactory())
        Offer.objects.create(supplier=supplier, frame=FrameFactory())
        SupplierPrice.objects.create(offer=offer, unit_cost=1, currency="GBP", valid_from="2026-01-01")
    for url, count in before.items():
        assert queries(lambda url=url: client.get(url)) == count <= 4
