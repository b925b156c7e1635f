"""Placing an order: computed, priced and reserved in one step, or refused with nothing written."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order
from opticshop.plugin_api import PluginManifest, PriceAdjustment, Refusal, hookimpl
from opticshop.pluginhost.testing import using_plugins
from opticshop.prescriptions.models import PrescribedPrism
from opticshop.stock.models import Lot, Movement, Reservation
from tests.factories import CustomerFactory, FrameFactory, LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import measure, prescribe

pytestmark = pytest.mark.django_db
URL = "/api/v1/orders/"


def nothing_written():
    return (
        not Order.objects.everywhere("test").exists()
        and not Reservation.objects.everywhere("test").exists()
        and not OutboxEvent.objects.filter(type="orders.placed").exists()
        and not Lot.objects.everywhere("test").filter(reserved__gt=0).exists()
    )


def refused(response, status, code):
    assert response.status_code == status, response.content
    assert response.json()["code"] == code
    assert nothing_written()
    return response.json()


def test_an_order_is_computed_priced_and_reserved(api, clerk, world):
    response = api(clerk).post(URL, world.body())
    assert response.status_code == 201, response.content
    order = response.json()
    assert order["number"] == "MILL-O-2026-00001"
    assert order["state"] == "placed"
    right, left = order["computation"]["right"], order["computation"]["left"]
    # Boxing: (A + DBL) / 2 - monocular PD = (50 + 18) / 2 - 33 (ISO 8624 formula, optics dossier 10).
    assert right["decentration_in_mm"] == 1.0
    assert left["decentration_in_mm"] == 2.0
    assert right["decentration_up_mm"] == 1.0  # 20 - 38 / 2
    # Rule of thumb: ED + 2 sqrt(dx^2 + dy^2) + 2 (optics dossier 10).
    assert right["minimum_blank_rule_mm"] == pytest.approx(54 + 2 * 2**0.5 + 2, abs=0.01)
    assert right["cuts_out"]
    assert left["cuts_out"]
    assert right["minimum_blank_exact_mm"] < right["minimum_blank_rule_mm"]
    assert right["prism_in_dpt"] == right["prism_up_dpt"] == 0
    assert 0 < right["edge_thinnest_mm"] < right["edge_thickest_mm"]
    assert order["computation"]["centre_distance_mm"] == 65.0  # common practice, no source
    # Price: frame 95.00 + 2 x 32.50 + dispensing 60.00 (exempt); tax 20 % within 160.00, line by line.
    assert order["total"] == "220.00"
    assert [line["tax"] for line in order["lines"]] == ["15.83", "5.42", "5.42", "0.00"]
    assert order["tax_total"] == "26.67"
    assert order["promised_on"] == "2026-03-05"  # three working days after Monday
    reserved = Reservation.objects.everywhere("test").values_list("part", "state", "document")
    assert set(reserved) == {(part, "active", f"orders/{order['id']}") for part in ("frame", "right", "left")}
    event = OutboxEvent.objects.get(type="orders.placed")
    assert event.data == {"order": order["id"], "number": order["number"], "special_order": False}


def test_a_quote_says_the_same_and_writes_nothing(api, clerk, world):
    quote = api(clerk).post(f"{URL}quote/", world.body())
    assert quote.status_code == 200, quote.content
    assert nothing_written()
    order = api(clerk).post(URL, world.body()).json()
    for name in ("computation", "total", "tax_total", "promised_on", "warnings"):
        assert quote.json()[name] == order[name]


def test_powers_are_compensated_for_the_worn_vertex_distance(api, clerk, world):
    """-12.00 D refracted at 10 mm and worn at 14 mm becomes -12.61 D (optics dossier 5 row 1, study flashcards)."""
    lens = LensProductFactory(sphere_min_dpt=Decimal("-14"))
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-14"), front_power_dpt=Decimal("1"))
    world.prescription = prescribe(
        world.customer, right=("-12.00", "0", None, None), left=("-12.00", "0", None, None), vertex=10
    )
    world.measurement = measure(world.customer, frame=world.frame, vertex_distance_mm=14)
    world.stock_lens("-12.50", "0.00", lens=lens)
    response = api(clerk).post(URL, world.body(lenses={"right": str(lens.id), "left": str(lens.id)}))
    assert response.status_code == 201, response.content
    order = response.json()
    assert order["computation"]["right"]["sphere_dpt"] == pytest.approx(-12.6050, abs=1e-4)
    assert order["lenses"][0]["sphere_dpt"] == "-12.50"  # the nearest step the lens is made in


def test_a_plus_cylinder_prescription_is_supplied_in_minus_form(api, clerk, world):
    """-5.00/+1.00 x 80 is the same lens as -4.00/-1.00 x 170 (transposition rule, optics dossier 1)."""
    world.prescription = prescribe(world.customer, right=("-5.00", "1.00", 80, None))
    order = api(clerk).post(URL, world.body()).json()
    right = order["lenses"][0]
    assert (right["sphere_dpt"], right["cylinder_dpt"], right["axis_deg"]) == ("-4.00", "-1.00", 170)


def test_a_near_pair_carries_the_addition_and_near_centration(api, clerk, world):
    world.stock_lens("-2.00", "-1.00"), world.stock_lens("-2.50", "0.00")
    order = api(clerk).post(URL, world.body(purpose="near")).json()
    assert [lens["sphere_dpt"] for lens in order["lenses"]] == ["-2.00", "-2.50"]
    # 33 x 400 / (400 + 27) = 30.9 (near centration geometry, trade dossier 2)
    assert order["lenses"][0]["centration_distance_mm"] == "30.9"
    assert any("near PD computed" in note for note in order["computation"]["assumptions"])


def test_prescribed_prism_is_made_by_decentring_a_finished_lens(api, clerk, world):
    """Prentice: 2 prism dioptres base in with a -4.50 D lens need 4.44 mm of decentration outwards."""
    eye = world.prescription.eyes.get(eye="left")
    PrescribedPrism.objects.create(eye=eye, amount_dpt=Decimal("2.00"), base="in")
    quote = api(clerk).post(f"{URL}quote/", world.body()).json()
    left = quote["computation"]["left"]
    assert left["decentration_in_mm"] == pytest.approx(2.0 - 20 / 4.5, abs=0.001)


def test_a_blank_too_small_is_refused_with_what_would_do(api, clerk, world):
    small = LensProductFactory(sphere_min_dpt=Decimal("-10"), diameter_mm=55, usable_diameter_mm=53)
    LensSurfaceFactory(product=small, sphere_from_dpt=Decimal("-10"))
    world.stock_lens("-4.00", "-1.00", lens=small), world.stock_lens("-4.50", "0.00", lens=small)
    body = world.body(lenses={"right": str(small.id), "left": str(small.id)})
    problem = refused(api(clerk).post(URL, body), 409, "orders.does_not_cut_out")
    assert problem["errors"][0]["pointer"] == "#/lenses/right"
    assert problem["errors"][0]["allowed"]["minimum_blank_mm"] > 53
    quote = api(clerk).post(f"{URL}quote/", body).json()
    assert not quote["computation"]["right"]["cuts_out"]
    assert quote["computation"]["right"]["clearance_mm"] < 0


def test_out_of_stock_is_refused_whole(api, clerk, world):
    assert api(clerk).post(URL, world.body()).status_code == 201
    before = Movement.objects.everywhere("test").count()
    response = api(clerk).post(URL, world.body())  # the one frame is taken
    assert response.status_code == 409, response.content
    assert Movement.objects.everywhere("test").count() == before
    assert Order.objects.everywhere("test").count() == 1


def test_a_power_never_stocked_is_refused_by_name(api, clerk, world):
    world.prescription = prescribe(world.customer, right=("-3.00", "0", None, None))
    problem = refused(api(clerk).post(URL, world.body()), 409, "orders.not_in_stock")
    assert "-3.00" in problem["detail"]


def test_a_lens_made_to_order_reserves_only_the_frame(api, clerk, world):
    lens = LensProductFactory(supply="made_to_order", sphere_min_dpt=Decimal("-10"))
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    order = api(clerk).post(URL, world.body(lenses={"right": str(lens.id), "left": str(lens.id)})).json()
    assert [row["is_special_order"] for row in order["lenses"]] == [True, True]
    assert [r.part for r in Reservation.objects.everywhere("test")] == ["frame"]
    assert order["promised_on"] == "2026-03-16"


def test_a_power_the_product_is_not_made_in_is_refused_with_its_range(api, clerk, world):
    world.prescription = prescribe(world.customer, right=("-11.00", "0", None, None))
    problem = refused(api(clerk).post(URL, world.body()), 409, "orders.power_out_of_range")
    assert problem["errors"][0]["allowed"]["sphere"] == ["-10.00", "4.00"]


def test_an_expired_prescription_needs_a_recorded_override(api, clerk, manager, world):
    world.prescription = prescribe(world.customer, expires_on=dt.date(2026, 2, 1))
    refused(api(clerk).post(URL, world.body()), 409, "prescriptions.expired")
    granted = api(manager).post(
        f"/api/v1/prescriptions/{world.prescription.id}/override/", {"reason": "Broken pair, examination booked"}
    )
    assert granted.status_code in {200, 201}, granted.content
    assert api(clerk).post(URL, world.body()).status_code == 201
    assert Order.objects.everywhere("test").get().override is not None


def test_heights_of_another_frame_are_void(api, clerk, world):
    world.frame = FrameFactory()
    refused(api(clerk).post(URL, world.body()), 409, "orders.heights_for_other_frame")


def test_a_varifocal_needs_addition_heights_and_its_minimum(api, clerk, world):
    lens = LensProductFactory(
        kind="power_variation", supply="made_to_order", minimum_fitting_height_mm=22, sphere_min_dpt=-10
    )
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    both = {"lenses": {"right": str(lens.id), "left": str(lens.id)}}
    refused(api(clerk).post(URL, world.body(**both)), 409, "orders.height_below_minimum")
    world.measurement = measure(world.customer, height_right_mm=None, height_left_mm=None)
    refused(api(clerk).post(URL, world.body(**both)), 409, "orders.height_missing")
    world.prescription = prescribe(world.customer, right=("-4.00", "0", None, None))
    refused(api(clerk).post(URL, world.body(**both)), 409, "orders.addition_missing")


def test_another_persons_prescription_or_measurements_are_refused(api, clerk, world, mill):
    somebody = CustomerFactory(branch=mill)
    mine = world.prescription
    world.prescription = prescribe(somebody)
    refused(api(clerk).post(URL, world.body()), 422, "orders.does_not_belong_together")
    world.prescription, world.measurement = mine, measure(somebody)
    refused(api(clerk).post(URL, world.body()), 422, "orders.does_not_belong_together")


def test_things_of_another_branch_are_not_there(api, outsider, world, quay):
    client = api(outsider)
    assert client.post(URL, world.body()).status_code == 404
    assert client.post(URL, world.body(branch=str(quay.id))).status_code == 404
    assert nothing_written()


def test_the_bookkeeper_may_not_order_and_nobody_may_not_look(api, bookkeeper, hand, world):
    assert api(bookkeeper).post(URL, world.body()).status_code == 403
    assert api(hand).post(URL, world.body()).status_code == 403
    assert api(None).get(URL).status_code == 401


def test_a_repeated_post_with_one_key_places_one_order(api, clerk, world):
    client, key = api(clerk), {"Idempotency-Key": '"k-1"'}
    first = client.post(URL, world.body(), headers=key)
    again = client.post(URL, world.body(), headers=key)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json()["id"] == again.json()["id"]
    assert again.headers["Idempotent-Replayed"] == "true"
    other = client.post(URL, world.body(note="other"), headers=key)
    assert other.json()["code"] == "core.idempotency_key_reused"
    assert Order.objects.everywhere("test").count() == 1


class Rules:
    """A price rule in memory: ten per cent off the frame; refuses what it is told to."""

    manifest = PluginManifest(
        name="test-rules", title="Test rules", version="1.0", api=">=1.0,<2", description="For tests."
    )
    adjustments: tuple[PriceAdjustment, ...] = ()
    refusal: Refusal | None = None

    @hookimpl
    def decide_order_price(self, context):
        return self.adjustments

    @hookimpl
    def decide_order_placement(self, order):
        if self.refusal:
            raise self.refusal


def adjust(amount, index=None):
    return PriceAdjustment(line_index=index, amount=Decimal(amount), reason="spring", rule="spring")


def test_price_rules_change_lines_and_tax_together(api, clerk, world):
    rules = Rules()
    rules.adjustments = (adjust("-9.50", 0),)
    with using_plugins([rules]):
        quote = api(clerk).post(f"{URL}quote/", world.body()).json()
    frame = quote["lines"][0]
    assert (frame["discount"], frame["gross"], frame["tax"]) == ("9.50", "85.50", "14.25")
    assert quote["total"] == "210.50"


def test_a_discount_on_the_whole_order_is_spread_to_the_penny(api, clerk, world):
    rules = Rules()
    rules.adjustments = (adjust("-10.01"),)
    with using_plugins([rules]):
        quote = api(clerk).post(f"{URL}quote/", world.body()).json()
    assert sum(Decimal(line["discount"]) for line in quote["lines"]) == Decimal("10.01")
    assert quote["total"] == "209.99"


def test_a_surcharge_is_a_line_of_its_own(api, clerk, world):
    rules = Rules()
    rules.adjustments = (adjust("12.00", 1),)
    with using_plugins([rules]):
        quote = api(clerk).post(f"{URL}quote/", world.body()).json()
    assert (quote["lines"][-1]["kind"], quote["lines"][-1]["gross"]) == ("adjustment", "12.00")
    assert quote["total"] == "232.00"


@pytest.mark.parametrize("adjustment", [adjust("-95.01", 0), adjust("-1.00", 9), adjust("-500.00")])
def test_a_price_rule_with_an_impossible_adjustment_is_a_plugin_defect(api, clerk, world, adjustment):
    rules = Rules()
    rules.adjustments = (adjustment,)
    with using_plugins([rules]):
        problem = refused(api(clerk).post(URL, world.body()), 503, "pluginhost.decide_failed")
    assert problem["plugin"] == "test-rules"


def test_a_plugin_may_refuse_the_placement(api, clerk, world):
    rules = Rules()
    rules.refusal = Refusal("not_today", "The house places no orders today.")
    with using_plugins([rules]):
        problem = refused(api(clerk).post(URL, world.body()), 409, "pluginhost.refused")
    assert "no orders today" in problem["detail"]


def test_a_balance_lens_without_a_power_matches_the_other_eye(api, clerk, world):
    """Common practice, no source: a balance lens looks like its fellow, so it takes the other eye's mean power."""
    world.prescription = prescribe(world.customer)
    eye = world.prescription.eyes.get(eye="left")
    eye.entry, eye.sphere_dpt, eye.addition_dpt = "balance", None, None
    eye.save()
    order = api(clerk).post(URL, world.body())
    assert order.status_code == 201, order.content
    assert order.json()["lenses"][1]["sphere_dpt"] == "-4.50"  # mean of -4.00 and -5.00
    assert any("balance" in note for note in order.json()["computation"]["assumptions"])


def test_an_occluded_eye_gets_no_lens(api, clerk, world):
    eye = world.prescription.eyes.get(eye="left")
    eye.entry, eye.sphere_dpt = "occluded", None
    eye.save()
    refused(api(clerk).post(URL, world.body()), 422, "orders.eye_not_prescribed")
    only = api(clerk).post(URL, world.body(lenses={"right": str(world.lens.id)}))
    assert only.status_code == 201, only.content
    assert [lens["eye"] for lens in only.json()["lenses"]] == ["right"]
