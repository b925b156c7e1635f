"""Price files: every row is checked and named when it is wrong; all of them are written, or none."""

from __future__ import annotations

import base64
import csv
import io

import pytest

from opticshop.purchasing.models import Offer, PriceList, SupplierPrice
from tests.factories import LensProductFactory
from tests.purchasing.conftest import LISTS, PACKET, PRICES, done, events_of, refused

pytestmark = pytest.mark.django_db

COLUMNS = {"sku": "Our code", "supplier_code": "Their code", "gtin": "Packet", "unit_cost": "Cost", "sphere_dpt": "Sph"}
COLUMNS |= {"cylinder_dpt": "Cyl", "valid_from": "From"}
HEAD = "Our code,Their code,Packet,Cost,Sph,Cyl,From"
#: +0.50 / +0.50 is +1.00 / -0.50 in minus-cylinder form (trade dossier 8).
GOOD = "SV-150-70,CL-1,4006381333931,3.90,-2.00,-0.50,2026-04-01\r\nSV-150-70,CL-2,,4.10,0.50,0.50,2026-04-01"


def file_of(trade, *rows, head=HEAD, columns=None, raw=None, **more):
    content = raw if raw is not None else "\r\n".join([head, *rows]).encode()
    return {
        "supplier": str(trade.supplier.id),
        "file_name": "spring.csv",
        "content": base64.b64encode(content).decode(),
        "columns": columns or COLUMNS,
        **more,
    }


def prices_of_april():
    return SupplierPrice.objects.filter(valid_from="2026-04-01").order_by("id")


def test_a_file_is_imported_whole_with_one_event(api, head_office, trade):
    report = done(api(head_office).post(LISTS, file_of(trade, GOOD)))
    assert (report["rows"], report["added"], report["errors"]) == (2, 2, [])
    first, second = prices_of_april()
    assert (first.gtin, str(first.unit_cost), str(first.sphere_from_dpt)) == (PACKET, "3.90", "-2.00")
    assert (str(second.sphere_from_dpt), str(second.cylinder_to_dpt)) == ("1.00", "-0.50")
    [event] = events_of("purchasing.price_list_imported")
    assert event["price_list"] == report["price_list"]["id"]
    assert event["added"] == 2


def test_the_same_file_twice_changes_nothing(api, head_office, trade):
    first = done(api(head_office).post(LISTS, file_of(trade, GOOD)))
    again = done(api(head_office).post(LISTS, file_of(trade, GOOD)))
    assert again["already_imported"] is True
    assert again["price_list"]["id"] == first["price_list"]["id"]
    assert (PriceList.objects.count(), prices_of_april().count()) == (1, 2)
    assert len(events_of("purchasing.price_list_imported")) == 1


def test_a_corrected_file_corrects_prices_of_the_same_day(api, head_office, trade):
    done(api(head_office).post(LISTS, file_of(trade, GOOD)))
    report = done(api(head_office).post(LISTS, file_of(trade, GOOD.replace("4.10", "4.15"))))
    assert (report["added"], report["changed"], report["unchanged"]) == (0, 1, 1)
    assert sorted(str(price.unit_cost) for price in prices_of_april()) == ["3.90", "4.15"]


def test_a_dry_run_says_what_would_be_done_and_writes_nothing(api, head_office, trade):
    report = done(api(head_office).post(LISTS, file_of(trade, GOOD, "NOSUCH,,,1.00,,,2026-04-01", dry_run=True)))
    assert (report["added"], report["dry_run"], report["price_list"]) == (2, True, None)
    assert [(error["row"], error["field"], error["column"]) for error in report["errors"]] == [(4, "sku", "Our code")]
    assert not prices_of_april().exists()
    assert not events_of("purchasing.price_list_imported")


@pytest.mark.parametrize(
    ("row", "field", "said"),
    [
        ("NOSUCH,,,1.00,,,2026-04-01", "sku", "no article"),
        (",,,1.00,,,2026-04-01", "sku", "names no article"),
        ("SV-150-70,,,,,,2026-04-01", "unit_cost", "no cost"),
        ("SV-150-70,,,four,,,2026-04-01", "unit_cost", "no number"),
        ("SV-150-70,,,-1.00,,,2026-04-01", "unit_cost", "no cost"),
        ("SV-150-70,,,1.005,,,2026-04-01", "unit_cost", "no cost"),
        ("SV-150-70,,,1e99,,,2026-04-01", "unit_cost", "no number"),
        ("SV-150-70,,,NaN,,,2026-04-01", "unit_cost", "no number"),
        ("SV-150-70,,4006381333930,1.00,,,2026-04-01", "gtin", "check digit is 1"),
        ("SV-150-70,,,1.00,-9.00,0,2026-04-01", "sphere_dpt", "is made with a sphere"),
        ("SV-150-70,,,1.00,-2.00,-2.25,2026-04-01", "cylinder_dpt", "is made with a cylinder"),
        ("SV-150-70,,,1.00,,-0.25,2026-04-01", "cylinder_dpt", "without a sphere"),
        ("SV-150-70,,,1.00,,,1 April", "valid_from", "no day"),
        ("HERON-50,,,1.00,-2.00,0,2026-04-01", "sphere_dpt", "Only a lens"),
        ("SV-150-70,,,9.99,-2.00,-0.50,2026-04-01", "unit_cost", "row 2 gives a price"),
        ("SV-150-70,,4006381333931,9.99,-3.00,-0.50,2026-04-01", "gtin", "row 2 gives this number"),
    ],
)
def test_one_wrong_row_keeps_the_whole_file_out(api, head_office, trade, row, field, said):
    problem = refused(api(head_office).post(LISTS, file_of(trade, GOOD, row)), 422, "purchasing.price_list_rejected")
    [error] = problem["rows"]
    assert (error["row"], error["field"]) == (4, field)
    assert said in error["problem"]
    assert not prices_of_april().exists()
    assert not PriceList.objects.exists()
    assert not events_of("purchasing.price_list_imported")


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"raw": b"\xff\xfe\x00"}, "purchasing.file_unreadable"),
        ({"raw": HEAD.encode() + b"\r\nSV-150-70,\x00,,1,,,2026-04-01"}, "purchasing.file_unreadable"),
        ({"raw": HEAD.encode() + b'\r\n"SV,1'}, "purchasing.file_unreadable"),
        ({"raw": HEAD.encode() + b"\r\nSV-150-70,1.00"}, "purchasing.file_unreadable"),
        ({"raw": HEAD.encode()}, "purchasing.no_rows"),
        ({"raw": b""}, "core.malformed"),
        ({"raw": b"x" * (2 * 1024 * 1024 + 1)}, "purchasing.file_too_large"),
        (
            {"columns": {"sku": "Our code", "unit_cost": "Price"}, "valid_from": "2026-04-01"},
            "purchasing.heading_missing",
        ),
        ({"columns": {"sku": "Our code"}}, "purchasing.columns_incomplete"),
        ({"columns": {"unit_cost": "Cost"}, "valid_from": "2026-04-01"}, "purchasing.columns_incomplete"),
        ({"columns": {"sku": "Our code", "unit_cost": "Cost"}}, "purchasing.columns_incomplete"),
        ({"columns": {"colour": "Cost"}}, "core.malformed"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_as_a_whole(api, head_office, trade, more, code):
    response = api(head_office).post(LISTS, file_of(trade, GOOD, **more))
    assert response.status_code in {400, 422}
    assert response.json()["code"] == code
    assert not PriceList.objects.exists()


def test_content_is_base64(api, head_office, trade):
    refused(api(head_office).post(LISTS, file_of(trade, GOOD) | {"content": "not base64!"}), 400, "core.malformed")


def test_other_delimiters_encodings_and_decimal_marks_are_read(api, head_office, trade):
    raw = "Code;Bezeichnung;Preis\r\nSV-150-70;Gläser;4,35\r\n".encode("windows-1252")
    body = file_of(trade, raw=raw, columns={"sku": "Code", "unit_cost": "Preis"}, delimiter=";", decimal_mark=",")
    body |= {"encoding": "windows-1252", "valid_from": "2026-04-01", "currency": "GBP"}
    assert done(api(head_office).post(LISTS, body))["added"] == 1
    assert str(prices_of_april().get().unit_cost) == "4.35"


def test_a_code_of_the_supplier_is_enough_once_it_is_known(api, head_office, trade):
    done(api(head_office).post(LISTS, file_of(trade, GOOD)))
    columns = {"supplier_code": "Their code", "unit_cost": "Cost", "sphere_dpt": "Sph", "cylinder_dpt": "Cyl"}
    body = file_of(trade, GOOD, columns=columns, valid_from="2026-05-01")
    assert done(api(head_office).post(LISTS, body))["added"] == 2


def test_an_article_the_supplier_did_not_offer_becomes_an_offer(api, head_office, trade):
    lens = LensProductFactory(sku="SV-167-75")
    done(api(head_office).post(LISTS, file_of(trade, "SV-167-75,X,,9.00,,,2026-04-01")))
    assert Offer.objects.get(lens=lens).supplier == trade.supplier


def test_importing_takes_a_constant_number_of_queries_per_chunk(api, head_office, trade, queries):
    def rows(count, day):
        return [f"SV-150-70,C{n},,4.00,{-n * 0.25:.2f},0,{day}" for n in range(count)]

    small = queries(lambda: done(api(head_office).post(LISTS, file_of(trade, *rows(2, "2026-04-01")))))
    large = queries(lambda: done(api(head_office).post(LISTS, file_of(trade, *rows(20, "2026-05-01")))))
    assert large == small


def test_a_branch_imports_no_prices(api, manager, trade):
    assert api(manager).post(LISTS, file_of(trade, GOOD)).status_code == 403
    assert not PriceList.objects.exists()


def test_the_export_is_safe_in_a_spreadsheet_and_reads_back(api, head_office, clerk, trade):
    SupplierPrice.objects.filter(power_range="").update(supplier_code="=HYPERLINK(1)")
    response = api(clerk).get(f"{PRICES}export/?supplier={trade.supplier.id}", headers={"Accept": "text/csv"})
    assert response.status_code == 200
    assert response["Content-Type"].startswith("text/csv")
    text = response.content.decode()
    table = list(csv.DictReader(io.StringIO(text)))
    assert len(table) == 3
    assert "'=HYPERLINK(1)" in {row["supplier_code"] for row in table}
    assert not [cell for row in table for cell in row.values() if cell.startswith(("=", "@"))]
    columns = {name: name for name in table[0]}
    report = done(api(head_office).post(LISTS, file_of(trade, raw=text.encode(), columns=columns)))
    assert (report["added"], report["changed"], report["unchanged"]) == (0, 0, 3)
