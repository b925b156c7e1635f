"""Labels of shelves and packets through the API: what is printed reads back to the same item or lot."""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.catalogue.models import Frame
from opticshop.stock.labels import LabelRefused, Scanned, label_read
from tests.documents.label_reading import read_back
from tests.factories import FrameFactory

LENS_GTIN, FRAME_GTIN = "09501101530003", "04006381333931"
pytestmark = pytest.mark.django_db


@pytest.fixture
def ask(api, clerk):
    """``ask(kind, *rows, user=clerk, **more)``: the answer of the label sheet."""

    def post(kind, *rows, user=clerk, **more):
        body = {"kind": kind, "ids": [str(getattr(row, "id", row)) for row in rows], "layout": "a4-3x8"} | more
        return api(user).post("/api/v1/labels/", body)

    return post


def codes(answer):
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == "application/pdf"
    return [(read.identifier, label_read(read.text)) for read in read_back(answer.content)]


@pytest.fixture
def numbered(lens, frame):
    """The frame and the lens product with their trade item numbers."""
    for article, gtin in ((lens, LENS_GTIN), (frame, FRAME_GTIN)):
        article.gtin = gtin
        article.save()


def test_a_packet_of_lenses_reads_back_as_number_lot_and_power(ask, numbered, mill, lens_item, receive):
    lot = receive(mill, lens_item, 3, "DN-20417")
    power = {"sphere_dpt": Decimal("-2"), "cylinder_dpt": Decimal("-0.5")}
    assert codes(ask("packet", lot)) == [("]d2", Scanned(None, LENS_GTIN, "DN-20417", **power))]


def test_a_packet_of_frames_reads_back_as_number_and_lot(ask, numbered, mill, frame_item, receive):
    lot = receive(mill, frame_item, 3, "F7")
    assert codes(ask("packet", lot)) == [("]d2", Scanned(None, FRAME_GTIN, "F7"))]
    assert codes(ask("packet", lot, symbol="gs1_128")) == [("]C1", Scanned(None, FRAME_GTIN, "F7"))]


def test_without_a_number_a_packet_reads_back_as_its_own_id(ask, mill, lens_item, frame_item, receive):
    lots = [receive(mill, lens_item, 1, "A"), receive(mill, frame_item, 1, "B")]
    assert codes(ask("packet", *lots)) == [("]Q1", Scanned(lot.id)) for lot in lots]


@pytest.mark.parametrize("code", ["TWENTY-ONE-MARKS-LONG", "with space", "näh"])
def test_a_lot_code_that_gs1_cannot_carry_reads_back_as_the_id(ask, numbered, mill, frame_item, receive, code):
    lot = receive(mill, frame_item, 1, code)
    assert codes(ask("packet", lot)) == [("]Q1", Scanned(lot.id))]


def test_a_number_for_use_inside_the_company_is_never_written_as_gs1(ask, mill, frame, frame_item, receive):
    """Prefix 200-299: restricted circulation (dossier on interchange, section 6)."""
    frame.gtin = "02000000000015"
    frame.save()
    lot = receive(mill, frame_item, 1, "A")
    assert codes(ask("packet", lot)) == [("]Q1", Scanned(lot.id))]
    assert codes(ask("shelf", frame_item)) == [("]E0", Scanned(gtin="02000000000015"))]


def test_shelves_carry_the_number_of_a_frame_and_the_id_of_a_drawer(ask, numbered, frame_item, lens_item):
    """The number of a lens product names no power; the drawer holds one power."""
    found = codes(ask("shelf", frame_item, lens_item))
    assert found == [("]E0", Scanned(gtin=FRAME_GTIN)), ("]Q1", Scanned(lens_item.id))]


def test_low_labels_carry_the_number_as_a_square_code(ask, numbered, frame_item):
    assert codes(ask("shelf", frame_item, layout="a4-5x13")) == [("]d2", Scanned(gtin=FRAME_GTIN))]


def test_copies_follow_each_other_from_the_first_free_place(ask, mill, lens_item, frame_item, receive):
    lots = [receive(mill, lens_item, 1, "A"), receive(mill, frame_item, 1, "B")]
    found = read_back(ask("packet", *lots, copies=2, start=23).content)
    assert [read.text for read in found] == [str(lot.id) for lot in lots for _ in range(2)]
    assert [read.page for read in found] == [0, 0, 1, 1]


def test_the_same_labels_are_the_same_bytes(ask, numbered, frame_item):
    assert ask("shelf", frame_item).content == ask("shelf", frame_item).content


def test_printing_costs_the_same_queries_for_one_and_for_many(ask, queries, mill, lens_item, receive):
    lots = [receive(mill, lens_item, 1, f"L{number}") for number in range(8)]
    assert queries(lambda: ask("packet", lots[0])) == queries(lambda: ask("packet", *lots))


# --- refusals ------------------------------------------------------------------------------------------------------


def test_a_wrong_check_digit_is_refused_with_the_right_one(ask, numbered, frame, frame_item):
    """A number that came into the table past the catalogue."""
    Frame.objects.filter(id=frame.id).update(gtin="04006381333930")
    answer = ask("shelf", frame_item)
    assert (answer.status_code, answer["Content-Type"]) == (422, "application/problem+json")
    problem = answer.json()
    assert problem["code"] == "catalogue.gtin_check_digit"
    assert problem["errors"][0]["allowed"] == "1"


def test_a_place_beyond_the_sheet_is_refused(ask, frame_item):
    answer = ask("shelf", frame_item, start=25)
    assert answer.status_code == 422
    assert answer.json()["code"] == "stock.label_refused"
    assert answer.json()["errors"][0] | {"detail": ""} == {
        "pointer": "#/start",
        "detail": "",
        "code": "stock.label_refused",
        "allowed": "1 to 24",
    }


@pytest.mark.parametrize(
    ("kind", "symbol"), [("packet", "gs1_128"), ("packet", "gs1_data_matrix"), ("shelf", "ean"), ("packet", "ean")]
)
def test_a_code_that_cannot_say_what_it_is_on_is_refused(ask, mill, lens_item, receive, kind, symbol):
    row = receive(mill, lens_item, 1) if kind == "packet" else lens_item
    answer = ask(kind, row, symbol=symbol)
    assert (answer.status_code, answer.json()["code"]) == (422, "stock.label_refused")
    assert answer.json()["errors"][0]["pointer"] == "#/symbol"


def test_a_code_too_wide_for_the_paper_is_refused(ask, numbered, mill, lens_item, receive):
    answer = ask("packet", receive(mill, lens_item, 1, "DN-20417"), symbol="gs1_128")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/layout")


def test_too_many_labels_are_refused(ask, frame_item):
    answer = ask("shelf", *[frame_item] * 11, copies=100)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/copies")


@pytest.mark.parametrize(
    "wrong",
    [{"layout": "a4-9x9"}, {"ids": []}, {"ids": ["x"]}, {"start": 0}, {"copies": -1}, {"x": 1}],
)
def test_what_is_not_readable_is_refused(ask, frame_item, wrong):
    answer = ask("shelf", frame_item, **wrong)
    assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")


def test_lots_of_another_branch_are_not_there(ask, outsider, mill, lens_item, receive):
    lot = receive(mill, lens_item, 1)
    assert ask("packet", lot, user=outsider).status_code == 404
    assert ask("packet", lens_item).status_code == 404, "an item is no lot"
    assert ask("shelf", lot).status_code == 404, "a lot is no item"


def test_who_may_not_see_stock_may_not_print_labels(ask, bookkeeper, frame_item):
    assert ask("shelf", frame_item, user=bookkeeper).status_code == 403
    assert ask("shelf", frame_item, user=None).status_code == 401


# --- reading -------------------------------------------------------------------------------------------------------


def test_a_makers_own_code_is_read_too():
    """With production date (11), expiry (17) and serial number (21), as GS1 writes them."""
    found = label_read(f"01{LENS_GTIN}1126010117310131" + "10AB1\x1d21S9")
    assert (found.gtin, found.lot_code, found.sphere_dpt) == (LENS_GTIN, "AB1", None)


def test_numbers_of_any_length_are_read():
    assert label_read("4006381333931").gtin == label_read("04006381333931").gtin == FRAME_GTIN
    with pytest.raises(LabelRefused):
        label_read("nothing of ours")


def test_prices_are_printed_when_asked(ask):
    import io

    from pypdf import PdfReader

    from opticshop.stock.services import frame_item_ensure

    item = frame_item_ensure(FrameFactory(name="Avocet", colour="smoke", price=Decimal("120.00")))
    said = [
        PdfReader(io.BytesIO(ask("shelf", item, with_price=price).content)).pages[0].extract_text()
        for price in (True, False)
    ]
    assert ["£120.00" in text for text in said] == [True, False]
    assert all("smoke" in text for text in said)
