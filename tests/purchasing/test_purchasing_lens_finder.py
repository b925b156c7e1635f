"""The lens finder: here, transposed, another diameter, another branch, a supplier; each with the reasons for its place.

Prescribed in ``world``: right -4.00 / -1.00 x 170, left -4.50; frame 50 x 38, effective diameter 54.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.accounts.models import Membership
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.purchasing.models import BranchTravel, Offer, Supplier
from opticshop.stock import services as stock
from opticshop.stock.models import Lot, Movement
from tests.factories import LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import measure, prescribe, receive
from tests.purchasing.conftest import FINDER, done, price, refused

pytestmark = pytest.mark.django_db
TODAY = dt.date(2026, 3, 2)


def product(sku, diameter="70", usable="68", **more):
    values = {"sphere_min_dpt": Decimal("-10"), "diameter_mm": Decimal(diameter), "usable_diameter_mm": Decimal(usable)}
    lens = LensProductFactory(sku=sku, **values | more)
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    return lens


def put(branch, lens, sphere, cylinder, quantity=1):
    receive(branch, stock.lens_item_ensure(lens, Decimal(sphere), Decimal(cylinder)), quantity)


def sell(lens, cost="4.20", days=3, preferred=False, name="Lenticel Lenses (invented)"):
    supplier = Supplier.objects.get_or_create(name=name, defaults={"lead_time_days": days})[0]
    offer = Offer.objects.create(supplier=supplier, lens=lens, is_preferred=preferred)
    price(offer, cost)
    return supplier


def for_wearer(world, **more):
    return {
        "branch": str(world.branch.id),
        "prescription": str(world.prescription.id),
        "measurement": str(world.measurement.id),
        "frame": str(world.frame.id),
        **more,
    }


def power(branch, sphere, cylinder="0.00", **more):
    return {"branch": str(branch.id), "sphere_dpt": sphere, "cylinder_dpt": cylinder, **more}


def options(answer, eye):
    return next(row for row in answer["eyes"] if row["eye"] == eye)["options"]


def test_the_wanted_lens_in_the_drawer_comes_first(api, clerk, world):
    sell(world.lens)
    before = (Movement.objects.everywhere("test").count(), OutboxEvent.objects.count())
    answer = done(api(clerk).post(FINDER, for_wearer(world, lens=str(world.lens.id))))
    assert [row["eye"] for row in answer["eyes"]] == ["right", "left"]
    best = options(answer, "right")[0]
    assert (best["place"], best["sku"], best["available"], best["is_wanted_product"]) == (
        "here",
        world.lens.sku,
        2,
        True,
    )
    assert (best["sphere_dpt"], best["cylinder_dpt"], best["axis_deg"]) == ("-4.00", "-1.00", 170)
    assert best["promised_on"] == "2026-03-05"  # turnaround of three working days
    assert best["cut_out"]["cuts_out"] is True
    assert best["reasons"][0] == "In stock here: 2."
    assert [row["place"] for row in options(answer, "right")] == ["here", "supplier"]
    assert (Movement.objects.everywhere("test").count(), OutboxEvent.objects.count()) == before


def test_what_the_finder_computes_is_what_an_order_reserves(api, clerk, world):
    found = options(done(api(clerk).post(FINDER, for_wearer(world))), "right")[0]
    order = done(api(clerk).post("/api/v1/orders/", world.body()), 201)
    ordered = next(lens for lens in order["lenses"] if lens["eye"] == "right")
    for name in ("sphere_dpt", "cylinder_dpt", "axis_deg"):
        assert found[name] == ordered[name]
    assert found["cut_out"]["clearance_mm"] == order["computation"]["right"]["clearance_mm"]


def test_a_plus_cylinder_finds_the_drawer_written_in_minus(api, clerk, mill):
    """+0.50 / +0.50 x 180 equals +1.00 / -0.50 x 90 (trade dossier 8: transpose before looking up)."""
    lens = product("SV")
    put(mill, lens, "1.00", "-0.50", 2)
    answer = done(api(clerk).post(FINDER, power(mill, "0.50", "0.50", axis_deg=180)))
    [best] = options(answer, "either")
    assert (best["sphere_dpt"], best["cylinder_dpt"], best["axis_deg"]) == ("1.00", "-0.50", 90)
    assert best["is_transposed"] is True
    assert any("written the other way" in reason for reason in best["reasons"])
    direct = done(api(clerk).post(FINDER, power(mill, "1.00", "-0.50", axis_deg=90)))
    assert options(direct, "either")[0]["is_transposed"] is False


def test_a_prescription_in_plus_form_is_transposed_too(api, clerk, world):
    world.prescription = prescribe(world.customer, right=("-5.00", "1.00", 80, None))
    best = options(done(api(clerk).post(FINDER, for_wearer(world, eyes=["right"]))), "right")[0]
    assert (best["place"], best["sphere_dpt"], best["axis_deg"]) == ("here", "-4.00", 170)
    assert best["is_transposed"] is True


def test_another_diameter_that_cuts_out_stands_in_and_a_smaller_one_is_explained(api, clerk, world, mill):
    """Rule of thumb: ED + 2 sqrt(dx^2 + dy^2) + 2 = 54 + 2.83 + 2 = 58.8 mm (optics dossier 10); exactly it is less.

    63 and 73 mm are more than either asks for; 53 mm is less than the effective diameter alone.
    """
    wanted, larger, smaller = product("W-65", "65", "63"), product("L-75", "75", "73"), product("S-55", "55", "53")
    for lens in (larger, smaller):
        put(mill, lens, "-4.00", "-1.00")
    answer = done(api(clerk).post(FINDER, for_wearer(world, lens=str(wanted.id), eyes=["right"])))
    skus = [row["sku"] for row in options(answer, "right")]
    assert skus == [world.lens.sku, "L-75"]  # both here, the smaller blank first; nobody sells W-65
    stand_in = next(row for row in options(answer, "right") if row["sku"] == "L-75")
    assert any("another diameter" in reason and "73" in reason for reason in stand_in["reasons"])
    [rejected] = answer["eyes"][0]["rejected"]
    assert rejected["sku"] == "S-55"
    assert "does not cut out" in rejected["reason"]


def test_the_smaller_blank_goes_first_among_equals(api, clerk, mill):
    for sku, diameter, usable in (("A", "75", "73"), ("B", "65", "63"), ("C", "70", "68")):
        put(mill, product(sku, diameter, usable), "-2.00", "0")
    answer = done(api(clerk).post(FINDER, power(mill, "-2.00", diameter_mm="60")))
    assert [row["sku"] for row in options(answer, "either")] == ["B", "C", "A"]
    assert options(answer, "either")[0]["cut_out"] == {
        "is_judged": True,
        "cuts_out": True,
        "clearance_mm": 1.5,
        "minimum_blank_mm": 60.0,
    }


def test_ranking_is_by_day_then_nearness_then_product_then_price(api, head_office, mill, quay):
    cheap, dear = product("CHEAP", price=Decimal("30.00")), product("DEAR", price=Decimal("60.00"))
    put(mill, dear, "-2.00", "0")
    put(mill, cheap, "-2.00", "0")
    put(quay, dear, "-2.00", "0")
    BranchTravel.objects.create(origin=quay, destination=mill, days=1)
    sell(dear, "9.00", days=1)
    sell(cheap, "3.00", days=1)
    sell(cheap, "2.00", days=4, name="Burdock (invented)")
    body = power(mill, "-2.00")
    rows = options(done(api(head_office).post(FINDER, body)), "either")
    assert [(row["place"], row["sku"]) for row in rows] == [
        ("here", "CHEAP"),
        ("here", "DEAR"),
        ("branch", "DEAR"),
        ("supplier", "CHEAP"),
        ("supplier", "DEAR"),
        ("supplier", "CHEAP"),
    ]
    assert [row["promised_on"] for row in rows] == ["2026-03-05"] * 2 + ["2026-03-06"] * 3 + ["2026-03-11"]
    wanted = options(done(api(head_office).post(FINDER, body | {"lens": str(dear.id)})), "either")
    assert [(row["place"], row["sku"]) for row in wanted[:2]] == [("here", "DEAR"), ("here", "CHEAP")]


def test_another_branch_comes_with_its_travel_days_as_far_as_it_is_seen(api, clerk, mill, quay):
    lens = product("SV")
    put(quay, lens, "-2.00", "0", 3)
    assert options(done(api(clerk).post(FINDER, power(mill, "-2.00"))), "either") == []
    Membership.objects.create(user=clerk, role="counter", branch=quay)
    [there] = options(done(api(clerk).post(FINDER, power(mill, "-2.00"))), "either")
    assert (there["place"], there["branch_code"], there["available"], there["travel_days"]) == ("branch", "QUAY", 3, 2)
    assert there["promised_on"] == "2026-03-09"  # three days and two on the way, over a week-end
    BranchTravel.objects.create(origin=quay, destination=mill, days=1)
    [there] = options(done(api(clerk).post(FINDER, power(mill, "-2.00"))), "either")
    assert (there["travel_days"], there["promised_on"]) == (1, "2026-03-06")


def test_a_supplier_comes_with_lead_time_and_cost(api, clerk, mill):
    lens = product("SV")
    supplier = sell(lens, "4.20", days=2, preferred=True)
    price(Offer.objects.get(), "3.80", power=("-2.00", "0.00"))
    [row] = options(done(api(clerk).post(FINDER, power(mill, "-2.00"))), "either")
    assert (row["place"], row["supplier"], row["lead_days"], row["unit_cost"]) == (
        "supplier",
        str(supplier.id),
        2,
        "3.80",
    )
    assert "the preferred supplier" in row["reasons"][0]
    assert (row["available"], row["promised_on"]) == (None, "2026-03-09")


def test_one_piece_is_not_found_for_both_eyes(api, clerk, world, mill):
    world.prescription = prescribe(world.customer, right=("-2.00", "0", None, None), left=("-2.00", "0", None, None))
    put(mill, world.lens, "-2.00", "0", 1)
    answer = done(api(clerk).post(FINDER, for_wearer(world)))
    assert [row["available"] for row in options(answer, "right")] == [1]
    assert options(answer, "left") == []


def test_promised_and_quarantined_pieces_are_not_found(api, clerk, manager, mill):
    lens = product("SV")
    put(mill, lens, "-2.00", "0", 2)
    item = stock.lens_item_ensure(lens, Decimal("-2.00"), Decimal(0))
    stock.stock_reserve(actor=system("test"), branch=mill, item=item, document="orders/x", part="right")
    assert options(done(api(clerk).post(FINDER, power(mill, "-2.00"))), "either")[0]["available"] == 1
    stock.lot_quarantine(actor=system("test"), lot=Lot.objects.everywhere("test").get(), reason="Recalled")
    assert options(done(api(clerk).post(FINDER, power(mill, "-2.00"))), "either") == []


def test_a_made_to_order_lens_is_found_at_its_supplier_only(api, clerk, world):
    lens = product("PV", kind="power_variation", supply="made_to_order", minimum_fitting_height_mm=Decimal("18"))
    sell(lens, "38.50", days=5)
    answer = done(api(clerk).post(FINDER, for_wearer(world, lens=str(lens.id), eyes=["right"])))
    [row] = options(answer, "right")
    assert (row["place"], row["addition_dpt"], row["unit_cost"]) == ("supplier", "2.00", "38.50")
    world.measurement = measure(world.customer, frame=world.frame, height_right_mm=Decimal("15"))
    answer = done(api(clerk).post(FINDER, for_wearer(world, lens=str(lens.id), eyes=["right"])))
    assert options(answer, "right") == []
    assert "18.00 mm" in answer["eyes"][0]["rejected"][0]["reason"]


@pytest.mark.parametrize(
    "change",
    [
        {"sphere_dpt": "-2.00"},
        {"prescription": None},
        {"frame": None},
        {"eyes": ["middle"]},
        {"purpose": "sleep"},
        {"eyes": []},
    ],
)
def test_a_question_that_is_no_question_is_refused(api, clerk, world, change):
    body = for_wearer(world) | change
    refused(
        api(clerk).post(FINDER, {name: value for name, value in body.items() if value is not None}),
        400,
        "core.malformed",
    )


def test_a_power_nobody_makes_finds_nothing_and_says_why(api, clerk, mill):
    product("SV")
    answer = done(api(clerk).post(FINDER, power(mill, "-12.00")))
    assert options(answer, "either") == []
    assert "It is made from -10" in answer["eyes"][0]["rejected"][0]["reason"]
    answer = done(api(clerk).post(FINDER, power(mill, "-2.10")))
    assert "in steps of 0.25" in answer["eyes"][0]["rejected"][0]["reason"]


def test_somebody_elses_prescription_is_not_there(api, outsider, clerk, world, quay):
    assert api(outsider).post(FINDER, for_wearer(world)).status_code == 404
    assert api(outsider).post(FINDER, for_wearer(world) | {"branch": str(quay.id)}).status_code == 404
    assert api(clerk).post(FINDER, power(quay, "-2.00")).status_code == 404


def test_who_may_look(api, bookkeeper, hand, mill):
    assert api(bookkeeper).post(FINDER, power(mill, "-2.00")).status_code == 403
    assert api(hand).post(FINDER, power(mill, "-2.00")).status_code == 200


def test_looking_costs_the_same_however_much_there_is(api, head_office, world, mill, quay, queries):
    client = api(head_office)
    sell(world.lens)
    put(quay, world.lens, "-4.00", "-1.00")

    def look():
        return done(client.post(FINDER, for_wearer(world)))

    few = queries(look)
    for number in range(6):
        lens = product(f"SV-{number}")
        for branch in (mill, quay):
            put(branch, lens, "-4.00", "-1.00")
            put(branch, lens, "-4.50", "0")
        sell(lens, name=f"Supplier {number} (invented)")
    assert queries(look) == few <= 18
    assert len(options(look(), "right")) == 3 + 6 * 3
