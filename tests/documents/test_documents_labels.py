"""Label sheets: every label reads back at true size, keeps its quiet zone, and stands where the paper has a label."""

from __future__ import annotations

import io
import subprocess
import sys
from decimal import Decimal as D
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from stdnum import gs1_128 as element_strings

from opticshop.documents import label_codes as codes
from opticshop.documents.errors import DocumentError
from opticshop.documents.label_faces import FrameFacts, LensFacts, frame_label, lens_label, lens_power, tray_label
from opticshop.documents.labels import LAYOUTS, labels_pdf

from .label_reading import pictures, read_back

MM = 72 / 25.4
#: Example number of GS1's own documents, as in our dossier on interchange, section 6.
GTIN = "09501101530003"
OPAQUE = "0190a3f2-8b1c-7c3e-9d4e-1a2b3c4d5e6f"
LENS = LensFacts("LE-0007", "Clear 1.5 finished (invented)", D("-2"), D("-0.5"), D("70"), D("1.498"), "hard coat")
FRAME = FrameFacts("FR-0012", "Heron 50 (invented)", D("50.00"), D("18"), D("140"), "dark tortoise", "£95.00")
JOB = "MILL-J-2026-00012"


def packet():
    return lens_label(codes.gs1_data_matrix(GTIN, "DN-20417", "-02.00-00.50"), LENS, lot="DN-20417")


def shelf(content=OPAQUE):
    return lens_label(codes.opaque_code(content), LENS)


def tray():
    return tray_label(codes.opaque_code(JOB), job_number=JOB, tray_code=JOB)


def words(pdf):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=str)
def test_each_kind_of_label_reads_back_at_true_size_from_every_paper(layout):
    labels = [packet(), shelf(), tray(), frame_label(codes.gs1_data_matrix(GTIN, "LOT7"), FRAME, lot="LOT7")]
    found = [(read.identifier, read.text) for read in read_back(labels_pdf(labels, layout))]
    assert sorted(found) == sorted(
        [
            ("]d2", f"01{GTIN}10DN-20417\x1d91-02.00-00.50"),
            ("]Q1", OPAQUE),
            ("]Q1", JOB),
            ("]d2", f"01{GTIN}10LOT7"),
        ]
    )


@pytest.mark.parametrize("key", ["a4-2x7", "a4-3x8", "a4-4x10", "roll-57x32"])
@pytest.mark.parametrize(
    ("number", "identifier", "text"),
    [
        ("4006381333931", "]E0", "4006381333931"),
        ("5901234123457", "]E0", "5901234123457"),
        ("96385074", "]E4", "96385074"),
        ("036000291452", "]E0", "0036000291452"),  # twelve digits are read as thirteen, a zero before them
    ],
)
def test_retail_codes_read_back(key, number, identifier, text):
    (read,) = read_back(labels_pdf([frame_label(codes.retail_code(number), FRAME)], LAYOUTS[key]))
    assert (read.identifier, read.text) == (identifier, text)


@pytest.mark.parametrize("key", ["a4-2x7", "a4-3x8"])
def test_gs1_128_reads_back_with_its_elements(key):
    (read,) = read_back(labels_pdf([frame_label(codes.gs1_128(GTIN, "LOT7"), FRAME, lot="LOT7")], LAYOUTS[key]))
    assert read.identifier == "]C1"
    assert element_strings.info(read.text, separator="\x1d") == {"01": GTIN, "10": "LOT7"}


def test_elements_after_a_lot_are_told_apart():
    """A lot has no fixed length: without FNC1 after it, the power would be read as part of the lot."""
    (read,) = read_back(labels_pdf([packet()], LAYOUTS["a4-3x8"]))
    wanted = {"01": GTIN, "10": "DN-20417", "91": "-02.00-00.50"}
    assert element_strings.info(read.text, separator="\x1d") == wanted
    assert codes.elements_read(read.text) == wanted


@settings(max_examples=25, deadline=None)
@given(
    lot=st.text(st.sampled_from("ABCXYZabcxyz0123456789-./_+*!?:;<=>,&%'\""), min_size=1, max_size=20),
    body=st.integers(10**11, 10**12 - 1),
)
@example(lot="0:0:0:0:_0::0", body=10**11)  # 8 x 64 modules hold it in less room than a square
def test_any_lot_that_can_be_carried_reads_back(lot, body):
    number = f"0{body}{codes.ean.calc_check_digit(str(body))}"
    labels = [frame_label(codes.gs1_data_matrix(number, lot), FRAME, lot=lot)]
    (read,) = read_back(labels_pdf(labels, LAYOUTS["roll-57x32"]))
    assert (read.identifier, codes.elements_read(read.text)) == ("]d2", {"01": number, "10": lot})


def test_a_whole_sheet_reads_back_in_order():
    names = [f"{OPAQUE[:-2]}{number:02d}" for number in range(30)]
    found = read_back(labels_pdf([shelf(name) for name in names], LAYOUTS["a4-3x8"]))
    assert [read.text for read in found] == names
    assert [read.page for read in found] == [0] * 24 + [1] * 6


# --- where it stands ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=str)
def test_the_grid_lies_on_the_paper(layout):
    left, top = layout.margins_mm
    assert left >= 0
    assert top >= 0
    corners = [layout.corner_mm(place) for place in range(layout.per_page)]
    wide, high = layout.label_mm
    for one, (x, y) in enumerate(corners):
        assert x >= 0
        assert y >= -1e-9
        assert x + wide <= layout.page_mm[0] + 1e-9
        assert y + high <= layout.page_mm[1] + 1e-9
        for x2, y2 in corners[one + 1 :]:
            assert abs(x - x2) >= wide - 1e-9 or abs(y - y2) >= high - 1e-9


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=str)
def test_no_ink_leaves_its_label_and_none_comes_near_the_edge(layout):
    pdf = labels_pdf([packet() if layout.label_mm[0] < 40 else tray()] * layout.per_page, layout)
    (page,) = pictures(pdf, dpi=254)  # ten dots a millimetre
    for place in range(layout.per_page):
        x, y = layout.corner_mm(place)
        wide, high = layout.label_mm
        box = [round(10 * side) for side in (x, layout.page_mm[1] - y - high, x + wide, layout.page_mm[1] - y)]
        inner = page[box[1] + 10 : box[3] - 10, box[0] + 10 : box[2] - 10]
        assert inner.min() < 128, "each label of the sheet is printed"
        page[box[1] + 9 : box[3] - 9, box[0] + 9 : box[2] - 9] = 255
    assert page.min() > 200, "ink within 0.9 mm of an edge or outside the labels"


def test_printing_starts_at_the_first_free_label_of_a_used_sheet():
    layout = LAYOUTS["a4-3x8"]
    first, second, third = read_back(labels_pdf([shelf()] * 3, layout, start=23))
    assert [read.page for read in (first, second, third)] == [0, 0, 1]
    left, top = layout.margins_mm
    row = (first.box[1] - top) // layout.label_mm[1]
    column = (first.box[0] - left) // (layout.label_mm[0] + layout.gap_mm[0])
    assert (row, column) == (7, 1)
    assert third.box[0] < left + layout.label_mm[0]
    assert third.box[1] < top + layout.label_mm[1]


@pytest.mark.parametrize("start", [0, 25, -1])
def test_a_place_that_the_sheet_has_not_is_refused(start):
    with pytest.raises(DocumentError, match="1 to 24") as refused:
        labels_pdf([shelf()], LAYOUTS["a4-3x8"], start=start)
    assert refused.value.field == "start"


def test_sheets_have_their_true_size_and_ask_not_to_be_scaled():
    for key, size in (("a4-3x8", (210, 297)), ("roll-57x32", (57, 32))):
        reader = PdfReader(io.BytesIO(labels_pdf([shelf()], LAYOUTS[key])), strict=True)
        box = reader.pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx((size[0] * MM, size[1] * MM), abs=0.01)
        assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=str)
@pytest.mark.parametrize("make", [packet, shelf, tray])
def test_the_quiet_zone_of_square_codes_is_clear(layout, make):
    """DataMatrix: one module on every side (ISO/IEC 16022); QR: four (ISO/IEC 18004). Both from memory."""
    label = make()
    (read,) = read_back(labels_pdf([label], layout))
    left, top, right, bottom = read.box
    module = (right - left) / len(label.symbol.rows[0])
    quiet = label.symbol.quiet[0] * module
    (page,) = (255 - picture for picture in pictures(labels_pdf([label], layout), dpi=508)[:1])  # 20 dots a mm
    spare = 0.2  # the reader says where a corner is to about a dot of its 203 dpi
    outer = [round(20 * side) for side in (left - quiet + spare, top - quiet + spare, right + quiet, bottom + quiet)]
    around = page[outer[1] : outer[3], outer[0] : outer[2]].copy()
    inner = [round(20 * (side + move)) for side, move in zip(read.box, (-spare, -spare, spare, spare), strict=True)]
    around[inner[1] - outer[1] : inner[3] - outer[1], inner[0] - outer[0] : inner[2] - outer[0]] = 0
    assert around.max() < 60


def test_the_quiet_zones_of_bars_are_clear():
    """EAN-13: 11 modules before and 7 after; Code 128: 10 on both sides (from memory). Only the first digit of an
    EAN-13 may stand in it, below the bars."""
    for symbol in (codes.retail_code("4006381333931"), codes.gs1_128(GTIN, "LOT7")):
        (page,) = pictures(labels_pdf([frame_label(symbol, FRAME)], LAYOUTS["a4-3x8"]), dpi=508)
        dark = page[:, :] < 128
        row = max(range(dark.shape[0]), key=lambda y: np.count_nonzero(np.diff(dark[y].astype(int))))
        xs = np.flatnonzero(dark[row])
        module = (xs[-1] - xs[0] + 1) / len(symbol.rows[0])
        before, after = int(symbol.quiet[0] * module) - 1, int(symbol.quiet[1] * module) - 1
        assert not dark[row, xs[0] - before : xs[0]].any()
        assert not dark[row, xs[-1] + 1 : xs[-1] + after].any()


def test_modules_are_whole_dots_of_a_label_printer():
    """8 dots a millimetre: every edge of a square symbol on a roll label lies on a dot."""
    (page,) = pictures(labels_pdf([packet()], LAYOUTS["roll-57x32"]), dpi=203.2)
    (read,) = read_back(labels_pdf([packet()], LAYOUTS["roll-57x32"]))
    left, top, right, bottom = (round(8 * side) for side in read.box)
    inside = page[top + 1 : bottom - 1, left + 1 : right - 1]
    assert set(np.unique(inside)) <= {0, 255}, "grey dots are edges between dots"


# --- what it says --------------------------------------------------------------------------------------------------


def test_a_packet_of_lenses_says_what_the_hand_looks_for():
    said = words(labels_pdf([packet()], LAYOUTS["a4-3x8"]))
    for wanted in ("Clear 1.5 finished (invented)", "−2.00 / −0.50", "Ø 70 mm · index 1.498", "hard coat", "LE-0007"):
        assert wanted in said
    assert "Lot DN-20417" in said
    assert f"(01){GTIN}" in said
    assert "(10)DN-20417" in said


def test_a_frame_says_its_boxed_size_colour_and_price():
    said = words(labels_pdf([frame_label(codes.retail_code("4006381333931"), FRAME)], LAYOUTS["a4-3x8"]))
    for wanted in ("Heron 50 (invented)", "50□18 140", "dark tortoise", "FR-0012", "£95.00"):
        assert wanted in said


def test_a_tray_label_says_the_job_and_nothing_else():
    assert words(labels_pdf([tray()], LAYOUTS["a4-3x8"])) == f"Job {JOB}"
    other = tray_label(codes.opaque_code("T-17"), job_number=JOB, tray_code="T-17")
    assert words(labels_pdf([other], LAYOUTS["a4-3x8"])) == f"Job {JOB} Tray T-17"


@pytest.mark.parametrize(
    ("sphere", "cylinder", "text"),
    [
        ("-2", "-0.5", "−2.00 / −0.50"),
        ("2.25", "0", "+2.25 sph"),
        ("0", "-0.25", "0.00 / −0.25"),
        ("0", "0", "0.00 sph"),
    ],
)
def test_powers_are_written_with_their_signs(sphere, cylinder, text):
    assert lens_power(D(sphere), D(cylinder)) == text


def test_long_names_are_cut_but_power_lot_and_code_are_whole():
    lens = LensFacts(
        "LE-1", "Thin aspheric finished with every thinkable filter " * 3, D("2"), D("0"), D("65"), D("1.6")
    )
    lot = "L-2026-0114-A-VERY-LONG-CODE-OF-A-LOT-40"
    for layout in LAYOUTS.values():
        said = words(labels_pdf([lens_label(codes.opaque_code(OPAQUE), lens, lot=lot)], layout))
        assert "…" in said
        assert "+2.00 sph" in said
        assert lot in said.replace(" ", "")
        assert "LE-1" in said


def test_markup_in_names_is_printed():
    frame = FrameFacts("FR-1", "<b>A & B</b>", D("50"), D("18"))
    assert "<b>A & B</b>" in words(labels_pdf([frame_label(codes.opaque_code("x"), frame)], LAYOUTS["a4-2x7"]))


# --- what is refused -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "right"), [("4006381333930", "1"), ("5901234123450", "7"), ("96385070", "4"), ("09501101530004", "3")]
)
@pytest.mark.parametrize("make", [codes.gtin_checked, codes.retail_code, codes.gs1_data_matrix, codes.gs1_128])
def test_a_wrong_check_digit_is_refused_with_the_right_one(make, number, right):
    """Numbers: the worked check digits of our dossier (400638133393 gives 1, 590123412345 gives 7)."""
    with pytest.raises(DocumentError, match=f"should be {right}, not {number[-1]}") as refused:
        make(number)
    assert refused.value.field == "gtin"


@pytest.mark.parametrize("number", ["", "12345", "400638133393A", "٤٠٠٦٣٨١٣٣٣٩٣١", "0000000000000", "123456789012345"])
def test_what_is_no_number_is_refused(number):
    with pytest.raises(DocumentError, match="not a trade item number"):
        codes.gtin_checked(number)


@pytest.mark.parametrize("lot", ["A B", "Lot-é", "X" * 21, "A\x1dB", "#1", "A(1)"])
def test_a_lot_that_cannot_be_carried_is_refused_not_changed(lot):
    with pytest.raises(DocumentError) as refused:
        codes.gs1_data_matrix(GTIN, lot)
    assert refused.value.field == "lot"


@pytest.mark.parametrize("content", ["", "two words", "x" * 61, "naïve", "a\nb"])
def test_a_code_of_our_own_is_plain_text(content):
    with pytest.raises(DocumentError):
        codes.opaque_code(content)


def test_a_number_of_fourteen_digits_has_no_retail_code():
    assert codes.retail_code("19501101530000") is None


def test_a_code_too_wide_for_the_label_is_refused():
    wide = frame_label(codes.gs1_128(GTIN, "A-LOT-OF-TWENTY-MARKS"[:20]), FRAME)
    with pytest.raises(DocumentError, match="does not fit") as refused:
        labels_pdf([wide], LAYOUTS["a4-5x13"])
    assert refused.value.field == "layout"


def test_nothing_to_print_is_refused():
    with pytest.raises(DocumentError):
        labels_pdf([], LAYOUTS["a4-3x8"])


@pytest.mark.parametrize("text", ["no elements", "01123", f"01{GTIN[:-1]}9", ""])
def test_what_is_no_element_string_is_refused(text):
    with pytest.raises(DocumentError):
        codes.elements_read(text)


# --- the same bytes ------------------------------------------------------------------------------------------------


def test_the_same_labels_give_the_same_bytes():
    labels = [packet(), shelf(), tray()]
    assert labels_pdf(labels, LAYOUTS["a4-3x8"]) == labels_pdf(labels, LAYOUTS["a4-3x8"])


def test_another_process_gives_the_same_bytes():
    script = (
        "import hashlib, opticshop.documents.label_codes as c, opticshop.documents.label_faces as f;"
        "from opticshop.documents.labels import LAYOUTS, labels_pdf;"
        "t = f.tray_label(c.opaque_code('T1'), job_number='J1', tray_code='T1');"
        "print(hashlib.sha256(labels_pdf([t], LAYOUTS['a4-3x8'])).hexdigest())"
    )
    root = Path(__file__).resolve().parents[2]
    seen = {
        subprocess.run(
            [sys.executable, "-c", script], cwd=root, env={"PYTHONHASHSEED": seed}, capture_output=True, check=True
        ).stdout
        for seed in ("1", "2")
    }
    assert len(seen) == 1
