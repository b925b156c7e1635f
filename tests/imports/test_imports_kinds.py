"""Prescriptions, stock and prices from files, end to end through the API."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.models import OutboxEvent
from opticshop.imports.models import ImportFile
from opticshop.prescriptions.models import PrescribedEye, Prescription
from opticshop.prices.lists_models import ListPrice, PriceList
from opticshop.stock.models import Lot, Movement
from opticshop.stock.selectors import ledger_differences
from tests.factories import CustomerFactory, FrameFactory, LensProductFactory, LensSurfaceFactory
from tests.imports.conftest import PEOPLE, URL, codes, csv_of, done, refused, rows

pytestmark = pytest.mark.django_db

RX = "Customer No,Date,Prescriber,R Sph,R Cyl,R Axis,R Add,L Sph,L Cyl,L Axis,L Add,R Prism,R Prism Base"
SORREL = "R. Sorrel (invented)"


def prescriptions():
    return list(Prescription.objects.everywhere("test").order_by("id"))


def lots():
    found = Lot.objects.everywhere("test").select_related("item").order_by("id")
    return [(lot.code, lot.on_hand, str(lot.unit_cost), lot.item.kind) for lot in found]


# --- prescriptions ------------------------------------------------------------------------------------------------


def test_prescriptions_are_linked_and_recorded_as_written(ran, mill):
    ran(PEOPLE, date_format="DD/MM/YYYY")
    file = ran(
        csv_of(
            RX,
            f"A-1,2026-01-15,{SORREL},+2.25,+0.50,90,,plano,DS,,,1.00,in",
            f"A-2,2015-01-15,{SORREL},-3.50,-2.00,175,2.00,-3.25,-1.50,5,2.00,,",
        ),
        "prescriptions",
    )
    assert file["counts"] == {"pending": 0, "done": 2, "failed": 0, "skipped": 0}
    plus, expired = prescriptions()
    right, left = plus.eyes.all()
    assert (right.sphere_dpt, right.cylinder_dpt, right.axis_deg) == (Decimal("2.25"), Decimal("0.50"), 90)
    assert [(prism.amount_dpt, prism.base) for prism in right.prisms.all()] == [(Decimal("1.00"), "in")]
    assert (left.sphere_dpt, left.cylinder_dpt, left.axis_deg) == (0, 0, None)
    assert plus.customer.family_name == "Alder (invented)"
    assert expired.issued_on == dt.date(2015, 1, 15)
    assert expired.expires_on < dt.date(2026, 3, 2)
    assert OutboxEvent.objects.filter(type="prescriptions.recorded").count() == 2


def test_a_customer_is_also_named_by_our_id(ran, mill, quay):
    here, elsewhere = CustomerFactory(branch=mill), CustomerFactory(branch=quay)
    head = "Our customer id,Date,Prescriber,R Sph,L Sph"
    ran(
        csv_of(
            head,
            f"{here.id},2026-01-15,{SORREL},1.00,1.25",
            f"{elsewhere.id},2026-01-15,{SORREL},1.00,1.25",
            f"nobody,2026-01-15,{SORREL},1.00,1.25",
        ),
        "prescriptions",
    )
    assert [each.customer for each in prescriptions()] == [here]
    assert codes() == ["imports.customer_unknown", "imports.customer_unknown"]


@pytest.mark.parametrize(
    ("row", "code", "column"),
    [
        (f"A-9,2026-01-15,{SORREL},1,,,,1,,,,,", "imports.customer_unknown", "Customer No"),
        ("A-1,2026-01-15,,1,,,,1,,,,,", "prescriptions.prescriber_missing", "Prescriber"),
        (f"A-1,2027-01-15,{SORREL},1,,,,1,,,,,", "prescriptions.issued_in_future", "Date"),
        (f"A-1,1980-01-15,{SORREL},1,,,,1,,,,,", "prescriptions.issued_before_birth", "Date"),
        (f"A-1,2026-01-15,{SORREL},,,,,1,,,,,", "prescriptions.sphere_missing", "R Sph"),
        (f"A-1,2026-01-15,{SORREL},1,-1,,,1,,,,,", "prescriptions.axis_missing", "R Axis"),
        (f"A-1,2026-01-15,{SORREL},1,,90,,1,,,,,", "prescriptions.axis_without_cylinder", "R Axis"),
        (f"A-1,2026-01-15,{SORREL},1,-1,0,,1,,,,,", "prescriptions.axis_out_of_range", "R Axis"),
        (f"A-1,2026-01-15,{SORREL},1,,,,1.001,,,,,", "prescriptions.power_off_grid", "L Sph"),
        (f"A-1,2026-01-15,{SORREL},1,,,,99,,,,,", "prescriptions.sphere_out_of_range", "L Sph"),
        (f"A-1,2026-01-15,{SORREL},1,,,,1,,,,2,", "prescriptions.prism_base_missing", "R Prism Base"),
        (f"A-1,2026-01-15,{SORREL},1,,,,1,,,,,in", "core.required", "R Prism"),
        (f"A-1,2026-01-15,{SORREL},1,,,,1,,,,2,sideways", "core.not_plain", "R Prism Base"),
        (f'A-1,2026-01-15,{SORREL},"1,25",,,,1,,,,,', "imports.cell_unreadable", "R Sph"),
        (f"A-1,2026-01-15,{SORREL},1e1,,,,1,,,,,", "core.not_plain", "R Sph"),
        (f"A-1,,{SORREL},1,,,,1,,,,,", "core.required", "Date"),
    ],
)
def test_refusals_carry_the_reasons_of_the_house(ran, row, code, column):
    ran(PEOPLE, date_format="DD/MM/YYYY")
    ran(csv_of(RX, row), "prescriptions")
    [problem] = rows()[-1].problems
    assert (problem["code"], problem["column"]) == (code, column)
    assert not prescriptions()
    assert not PrescribedEye.objects.exists()


# --- stock --------------------------------------------------------------------------------------------------------


def test_opening_balances_are_received_lot_by_lot(ran, mill):
    FrameFactory(sku="HERON-50")
    LensSurfaceFactory(product=LensProductFactory(sku="SV-150-70"))
    file = ran(
        csv_of(
            "Code;Sph;Cyl;Lot;Qty;Cost;Branch",
            "SV-150-70;-2,00;-0,50;L1;10;4,20;MILL",
            "SV-150-70;0,50;0,50;L2;4;4,20;mill",
            "HERON-50;;;F1;1;31,00;",
        ),
        "stock",
        decimal_mark=",",
    )
    assert file["counts"]["done"] == 3
    assert lots() == [("L1", 10, "4.20", "lens"), ("L2", 4, "4.20", "lens"), ("F1", 1, "31.00", "frame")]
    # +0.50 / +0.50 is +1.00 / -0.50 in minus-cylinder form (trade dossier 8).
    transposed = Lot.objects.everywhere("test").get(code="L2").item
    assert (transposed.sphere_dpt, transposed.cylinder_dpt) == (Decimal("1.00"), Decimal("-0.50"))
    documents = Movement.objects.everywhere("test").order_by("id").values_list("document", flat=True)
    assert list(documents) == [f"imports/{file['id']}/{row}" for row in (2, 3, 4)]
    assert not ledger_differences()


@pytest.mark.parametrize(
    ("row", "code", "column"),
    [
        ("NOSUCH,,,L1,1,1.00,,", "imports.article_unknown", "Code"),
        ("SV-150-70,-9,0,L1,1,1.00,,", "stock.power_not_stocked", "Sph"),
        ("SV-150-70,,,L1,1,1.00,,", "core.kind", "Sph"),
        ("HERON-50,-2,0,L1,1,1.00,,", "core.kind", "Sph"),
        ("HERON-50,,,L1,0,1.00,,", "core.min_value", "Qty"),
        ("HERON-50,,,L1,1.5,1.00,,", "core.invalid", "Qty"),
        ("HERON-50,,,L1,1,-1.00,,", "core.min_value", "Cost"),
        ("HERON-50,,,L1,1,1.005,,", "core.max_decimal_places", "Cost"),
        ("HERON-50,,,,1,1.00,,", "core.required", "Lot"),
        ("HERON-50,,,L1,1,1.00,EUR,", "imports.currency_differs", "Currency"),
        ("HERON-50,,,L1,1,1.00,,QUAY", "imports.elsewhere", "Branch"),
    ],
)
def test_a_balance_that_cannot_be_right_is_not_received(ran, row, code, column):
    FrameFactory(sku="HERON-50")
    LensProductFactory(sku="SV-150-70")
    ran(csv_of("Code,Sph,Cyl,Lot,Qty,Cost,Currency,Branch", row), "stock")
    assert {(problem["code"], problem["column"]) for problem in rows()[0].problems} >= {(code, column)}
    assert not lots()
    assert not OutboxEvent.objects.filter(type="stock.received").exists()


def test_one_lot_has_one_cost_and_a_dry_run_sees_it_across_rows(api, head_office, uploaded):
    FrameFactory(sku="HERON-50")
    file = uploaded(csv_of("Code,Lot,Qty,Cost", "HERON-50,F1,1,31.00", "HERON-50,F1,1,32.00"), "stock")
    tried = done(api(head_office).post(f"{URL}{file['id']}/dry-run/", {}))["tried"]
    assert (tried["would_take_over"], tried["would_fail"]) == (1, 1)
    [problem] = tried["problems"]
    assert (problem["row"], problem["code"], problem["allowed"]) == (3, "stock.lot_cost_differs", "31.00")
    assert not lots()


# --- prices -------------------------------------------------------------------------------------------------------

PRICES = ("Code,Price,Currency", "HERON-50,99.00,GBP", "SV-150-70,32.50,", "NOSUCH,1.00,", "HERON-50,1.00,EUR")


@pytest.fixture
def articles(db):
    LensSurfaceFactory(product=LensProductFactory(sku="SV-150-70", price="32.50"))
    FrameFactory(sku="HERON-50", price="95.00")


def test_without_a_day_prices_go_into_the_catalogue(ran, articles):
    file = ran(csv_of(*PRICES), "prices")
    assert file["counts"] == {"pending": 0, "done": 1, "failed": 2, "skipped": 1}
    assert codes() == ["imports.unchanged", "imports.article_unknown", "imports.currency_differs"]
    assert Frame.objects.get().price == Decimal("99.00")
    assert LensProduct.objects.get().price == Decimal("32.50")
    assert OutboxEvent.objects.filter(type="catalogue.frame_changed").count() == 1
    assert not PriceList.objects.exists()


def test_with_a_day_prices_go_into_a_new_list_of_the_branch(ran, articles, mill):
    file = ran(csv_of(*PRICES, "HERON-50,98.00,GBP"), "prices", valid_from="2026-04-01")
    assert file["counts"] == {"pending": 0, "done": 2, "failed": 3, "skipped": 0}
    assert codes()[-1] == "imports.priced_twice"
    made = PriceList.objects.get()
    assert (str(made.id), made.branch, made.valid_from) == (file["price_list"], mill, dt.date(2026, 4, 1))
    assert sorted(ListPrice.objects.values_list("price", flat=True)) == [Decimal("32.50"), Decimal("99.00")]
    assert Frame.objects.get().price == Decimal("95.00")


def test_a_list_is_tried_without_being_made_and_refused_where_another_holds(api, head_office, uploaded, articles, ran):
    first = uploaded(csv_of(*PRICES), "prices", valid_from="2026-04-01")
    tried = done(api(head_office).post(f"{URL}{first['id']}/dry-run/", {}))
    assert (tried["tried"]["would_take_over"], tried["price_list"]) == (2, None)
    assert not PriceList.objects.exists()
    done(api(head_office).post(f"{URL}{first['id']}/run/", {}))
    second = uploaded(csv_of(*PRICES, "HERON-50,98.00,GBP"), "prices", valid_from="2026-03-20")
    for what in ("dry-run", "run"):
        refused(api(head_office).post(f"{URL}{second['id']}/{what}/", {}), 409, "prices.lists_overlap")
    assert ImportFile.objects.everywhere("test").get(id=second["id"]).state == "uploaded"


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("HERON-50,-1.00,", "catalogue.price_not_payable"),
        ("HERON-50,1.005,", "core.max_decimal_places"),
        ("HERON-50,,", "core.required"),
        ("HERON-50,£9,", "core.not_plain"),
        ('HERON-50,"1,000.00",', "imports.cell_unreadable"),
        ("HERON-50,123456789.00,", "core.max_digits"),
    ],
)
@pytest.mark.parametrize("day", [{}, {"valid_from": "2026-04-01"}])
def test_a_price_nobody_can_pay_is_named(ran, articles, row, code, day):
    ran(csv_of(PRICES[0], row), "prices", **day)
    [problem] = rows()[0].problems
    assert (problem["code"], problem["column"]) == (code, "Price")
    assert Frame.objects.get().price == Decimal("95.00")
