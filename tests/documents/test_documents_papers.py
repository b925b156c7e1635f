"""The bench ticket and the receipt as PDF: they open and say what they must; the same data gives the same bytes."""

from __future__ import annotations

import io
import subprocess
import sys
from decimal import Decimal as D
from pathlib import Path

import pytest
import segno
from pypdf import PdfReader
from pypdf.generic import ContentStream

from opticshop.documents.cautions import ALWAYS, CHILD, CLOSING, IMPACT, TABLE, cautions_for
from opticshop.documents.errors import DocumentError
from opticshop.documents.fonts import font_folder
from opticshop.documents.job_ticket import TicketFrame, TicketStep, ticket_pdf
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.receipt import ReceiptLine, TaxPart, receipt_pdf
from opticshop.documents.tray_code import TrayCode
from opticshop.optics.eyes import Eye

from .samples import BRANCH, layout, receipt, ticket, ticket_eye

MM = 72 / 25.4
A4_POINTS = pytest.approx((210 * MM, 297 * MM), abs=0.01)


def opened(pdf: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(pdf), strict=True)


def words(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in opened(pdf).pages).split())


def test_the_ticket_is_one_a4_page_that_asks_not_to_be_scaled():
    reader = opened(ticket_pdf(ticket()))
    assert len(reader.pages) == 1
    assert (reader.pages[0].mediabox.width, reader.pages[0].mediabox.height) == A4_POINTS
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert reader.metadata.title == "Bench ticket MILL-J-2026-00012"


def test_the_ticket_says_what_the_bench_needs():
    said = words(ticket_pdf(ticket(attempt=2, remake_reason="lens chipped", notes=("customer's own case",))))
    for wanted in (
        "MILL-J-2026-00012",
        "Order MILL-O-2026-00031",
        "Thursday 5 March 2026",
        "Remake, attempt 2: lens chipped",
        "Note: customer's own case",
        "FR-0012 · Heron 50 (invented) · acetate",
        "A 50.0 · B 38.0 · DBL 18.0 · ED 54.0",
        "−2.25 / −0.75 × 95",
        "LE-0007 · Clear 1.5 finished (invented)",
        "index 1.498 · Ø 70.0 · lot L-2026-0114 finished, usable 68 mm",
        "31.0 from the middle of the bridge, height 21.0",
        "3.0 in, 2.0 up",
        "Cuts out, 2.8 to spare; blank of 62.4 needed",
        "edge 2.6 to 4.9, centre 2.0",
        "1. Verify the uncut lenses",
        "6. Clean and pack",
        "100 mm when printed at true size",
        "Page 1 of 1",
    ):
        assert wanted in said, wanted


def test_a_lens_that_does_not_cut_out_is_said_in_capitals():
    eyes = (ticket_eye(Eye.RIGHT), ticket_eye(Eye.LEFT, cuts_out=False, clearance_mm=-1.24))
    assert "DOES NOT CUT OUT, 1.2 missing; blank of 62.4 needed" in words(ticket_pdf(ticket(eyes=eyes)))


def test_addition_and_prism_are_printed_with_their_directions():
    eye = ticket_eye(Eye.RIGHT, addition_dpt=D("2.00"), prism_in_dpt=D("-1.50"), prism_up_dpt=D("0.50"))
    assert "add +2.00 · prism, base 1.50 out, 0.50 up" in words(ticket_pdf(ticket(eyes=(eye,))))


def test_what_was_not_computed_is_a_dash_not_a_guess():
    unknown = ("minimum_blank_mm", "cuts_out", "clearance_mm", "edge_thinnest_mm", "edge_thickest_mm")
    eye = ticket_eye(Eye.LEFT, **dict.fromkeys(unknown), lot="", centre_thickness_mm=None)
    said = words(ticket_pdf(ticket(eyes=(eye,), layout=None)))
    assert "lot –" in said
    assert "blank of – needed, not tested" in said
    assert "edge – to –, centre –" in said


def test_every_ticket_carries_the_cautions_with_what_they_rest_on():
    said = words(ticket_pdf(ticket()))
    for caution in ALWAYS:
        assert f"{caution.where}: {caution.text} [{caution.basis}; {caution.confidence}]" in said
    assert CLOSING in said
    assert CHILD.text not in said


def test_a_childs_ticket_and_one_for_a_single_useful_eye_carry_their_own_caution():
    assert CHILD in cautions_for(wearer_is_child=True)
    assert IMPACT in cautions_for(impact_matters=True)
    assert CHILD.text in words(ticket_pdf(ticket(cautions=cautions_for(wearer_is_child=True))))


def test_every_caution_states_its_basis_and_how_sure_it_is():
    assert len({caution.key for caution in TABLE}) == len(TABLE)
    assert all(caution.basis and caution.confidence in {"high", "medium", "low"} for caution in TABLE)


def test_the_tray_code_is_the_code_of_that_text_with_its_quiet_zone():
    """The modules drawn are those of an independent making of the code (segno, ISO/IEC 18004)."""
    drawn = TrayCode("MILL-J-2026-00012", 100.0)
    assert [list(row) for row in drawn.rows] == [
        list(row) for row in segno.make_qr("MILL-J-2026-00012", error="m").matrix
    ]


@pytest.mark.parametrize("code", ["Wren Alder", "wren@example.org", "", "x" * 65, "MILL J 12"])
def test_the_tray_code_holds_no_words_about_a_person(code):
    with pytest.raises(DocumentError):
        ticket(tray_code=code)


def test_a_plus_cylinder_never_reaches_the_bench():
    with pytest.raises(DocumentError):
        ticket_eye(Eye.RIGHT, cylinder_dpt=D("0.75"))


def test_a_drawing_that_does_not_fit_goes_to_a_second_page_at_true_size():
    steps = tuple(TicketStep(n, f"Step {n}") for n in range(1, 15))
    pdf = ticket_pdf(ticket(layout=layout(blank_diameter_mm=85.0), steps=steps, notes=("one", "two", "three", "four")))
    reader = opened(pdf)
    assert len(reader.pages) == 2
    assert "Page 1 of 2" in words(pdf)
    assert "100 mm when printed at true size" in reader.pages[1].extract_text()


def test_a_drawing_wider_than_the_page_is_never_shrunk():
    said = words(ticket_pdf(ticket(layout=layout(a_mm=80.0, b_mm=50.0, dbl_mm=30.0, blank_diameter_mm=110.0))))
    assert "wider than this page at true size" in said
    assert "100 mm when printed" not in said


def test_the_check_bar_is_100_mm_on_paper():
    """Read back from the page's own drawing commands: the matrix scales millimetres to points."""
    reader = opened(ticket_pdf(ticket()))
    page = reader.pages[0]
    scale, lengths, start = 1.0, [], (0.0, 0.0)
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        if (
            operator == b"cm"
            and operands[0] == operands[3]
            and operands[1] == 0
            and float(operands[0]) not in (0.0, 1.0)
        ):
            scale = float(operands[0])
        elif operator == b"m":
            start = (float(operands[0]), float(operands[1]))
        elif operator == b"l" and float(operands[1]) == start[1]:
            lengths.append((float(operands[0]) - start[0]) * scale / MM)
    assert scale == pytest.approx(MM, rel=1e-5)
    assert any(length == pytest.approx(100, abs=0.01) for length in lengths)


def test_names_in_latin_greek_and_cyrillic_letters_print():
    frame = TicketFrame("FR-1", "Łódź Ωραία Жизнь", "acetate", 50, 38, 18)
    assert "Łódź Ωραία Жизнь" in words(ticket_pdf(ticket(frame=frame)))
    assert "Очки Ωραία" in words(receipt_pdf(receipt(letterhead=Letterhead("Очки Ωραία"))))


def test_the_typeface_is_found_without_loading_the_chart_library():
    script = (
        "import sys; from opticshop.documents import fonts; fonts.register(); assert 'matplotlib' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", script], check=True, cwd=Path(__file__).parents[2])
    assert (font_folder() / "DejaVuSans.ttf").is_file()


@pytest.mark.parametrize("make", [lambda: ticket_pdf(ticket()), lambda: receipt_pdf(receipt())])
def test_the_same_data_gives_the_same_bytes(make):
    assert make() == make()


@pytest.mark.parametrize(
    "make", [lambda mark: ticket_pdf(ticket(invented=mark)), lambda mark: receipt_pdf(receipt(invented=mark))]
)
def test_invented_data_is_marked_only_when_told(make):
    assert "invented demo data" in words(make(True))
    assert "invented demo data" not in words(make(False))


def test_the_receipt_says_what_was_paid_and_what_is_owed():
    said = words(receipt_pdf(receipt()))
    for wanted in (
        "Deposit receipt MILL-R-2026-00001",
        BRANCH.name,
        "1 Weir Lane Millbrook",
        "Tax no. GB 000 0000 00",
        "Tax point 2 March 2026",
        "Order MILL-O-2026-00031",
        "Heron 50 (invented) 1 £95.00 −£9.50 £85.50 standard 20% £14.25",
        "Dispensing 1 £60.00 – £60.00 exempt £0.00",
        "standard 20% £125.42 £25.08 £150.50",
        "Total £210.50",
        "Deposit paid now by card, T-0042 £100.00",
        "Balance due £110.50",
        "Together £88.08 £11.92 £100.00",
    ):
        assert wanted in said, wanted


def test_a_refund_names_the_receipt_it_refers_to_and_why():
    back = (TaxPart("standard", D("20.00"), D("-20.00"), D("-4.00"), D("-24.00")),)
    more = {"kind": "refund", "amount": D("-24.00"), "payment_parts": back, "refers_to": "MILL-R-2026-00001"}
    said = words(receipt_pdf(receipt(**more, reason="frame exchanged")))
    assert "Refund" in said
    assert "Refers to receipt MILL-R-2026-00001" in said
    assert "Reason: frame exchanged" in said
    assert "Given back now by card, T-0042 £24.00" in said


@pytest.mark.parametrize("wrong", [{"total": D("210.51")}, {"amount": D("100.01")}])
def test_a_receipt_that_does_not_add_up_is_refused(wrong):
    with pytest.raises(DocumentError):
        receipt(**wrong)


def test_tax_and_net_make_the_gross():
    with pytest.raises(DocumentError):
        TaxPart("standard", D("20"), D("10.00"), D("2.00"), D("12.01"))


def test_markup_in_a_description_is_printed_not_obeyed():
    line = ReceiptLine("<b>5 & 6</b>", 1, D("210.50"), D(0), D("210.50"), "standard", D("20.00"), D("35.08"))
    assert "<b>5 & 6</b>" in words(receipt_pdf(receipt(lines=(line,))))


def test_a_long_receipt_runs_over_several_numbered_pages():
    line = ReceiptLine("Case (invented)", 1, D("2.00"), D(0), D("2.00"), "standard", D("20.00"), D("0.33"))
    total = D("240.00")
    part = (TaxPart("standard", D("20.00"), D("200.40"), D("39.60"), total),)
    pdf = receipt_pdf(receipt(lines=(line,) * 120, total=total, tax_parts=part, payment_parts=part, amount=total))
    assert len(opened(pdf).pages) > 1
    assert f"Page {len(opened(pdf).pages)} of {len(opened(pdf).pages)}" in words(pdf)
