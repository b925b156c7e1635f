"""The certificate as PDF: it opens, says what it must, and only for a pair that passed."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from pypdf import PdfReader

from opticshop.documents.certificate import (
    CertificateData,
    CertificateLens,
    CertificateLine,
    Statement,
    certificate_pdf,
)
from opticshop.documents.errors import DocumentError

from .samples import BRANCH


def line(parameter="Cylinder axis", eye="R", outcome="pass", **more) -> CertificateLine:
    numbers = {"unit": "deg", "ordered": "170", "measured": "171", "deviation": "1", "limit": "3"}
    return CertificateLine(parameter, eye, outcome, **(numbers | {"clause": "5.3", "confidence": "confirmed"} | more))


def certificate(**more) -> CertificateData:
    details = {
        "letterhead": BRANCH,
        "number": "MILL-J-2026-00012",
        "job_number": "MILL-J-2026-00012",
        "order_number": "MILL-O-2026-00031",
        "purpose": "distance",
        "patient_record": "01890a5d-ac96-774b-bcce-b302099a8057",
        "prescription": "01890a5d-ac96-774b-bcce-b302099a8058",
        "prescribed_on": dt.date(2026, 1, 5),
        "frame": "FR-0012 Heron 50 (invented) acetate",
        "frame_sizes": "50 x 38, DBL 18 mm",
        "frame_lot": "L7",
        "lenses": (
            CertificateLens("RIGHT", "−4.00 / −1.00 × 170", "LE-0007 Clear 1.5", "index 1.498, Ø 70 mm", "L1"),
            CertificateLens("LEFT", "−4.50", "LE-0007 Clear 1.5", "index 1.498, Ø 70 mm", ""),
        ),
        "lines": (line(), line("Sphere", "L", unit="D", ordered="−4.50", measured="−4.47", deviation="0.03")),
        "standard_title": "ISO 21987:2017 mounted spectacle lenses",
        "standard_key": "iso21987-2017",
        "standard_version": "1.0.0",
        "leaned_on_unconfirmed": False,
        "sources": ("text of the standard, table 1",),
        "seen": ("Surfaces free of scratches, pits and marks",),
        "instruments": ("Focimeter 2, serial 0815, calibration in date",),
        "inspected_by": "Hand (D-00001, invented)",
        "inspected_at": dt.datetime(2026, 3, 4, 15, 20, tzinfo=dt.UTC),
        "statements": (Statement("Made up to the prescription named above.", "own words", "high"),),
        "cautions": (Statement("These are not safety spectacles."),),
    }
    return CertificateData(**(details | more))


def words(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf), strict=True).pages).split())


def test_the_certificate_says_what_the_record_needs():
    said = words(certificate_pdf(certificate()))
    for wanted in (
        "Certificate of inspection",
        "MILL-J-2026-00012, 4 March 2026",
        "patient 01890a5d-ac96-774b-bcce-b302099a8057",
        "version 01890a5d-ac96-774b-bcce-b302099a8058, written 5 January 2026",
        "MILL-O-2026-00031 · MILL-J-2026-00012 · distance",
        "50 x 38, DBL 18 mm · lot L7",
        "RIGHT −4.00 / −1.00 × 170 LE-0007 Clear 1.5 index 1.498, Ø 70 mm L1",
        "PASSED by ISO 21987:2017 mounted spectacle lenses",
        "iso21987-2017, version 1.0.0 of the tables",
        "Cylinder axis, deg R 170 171 1 3 pass 5.3 · confirmed",
        "Sphere, D L −4.50 −4.47 0.03 3 pass",
        "Focimeter 2, serial 0815, calibration in date",
        "Hand (D-00001, invented), 4 March 2026, 15:20",
        "text of the standard, table 1",
        "Made up to the prescription named above. [own words; high]",
        "These are not safety spectacles.",
        "Page 1 of 1",
    ):
        assert wanted in said, wanted


def test_a_limit_that_was_not_read_in_the_standard_claims_no_conformity():
    assert "no claim of conformity" in words(certificate_pdf(certificate(leaned_on_unconfirmed=True)))
    assert "no claim of conformity" not in words(certificate_pdf(certificate()))


@pytest.mark.parametrize("outcome", ["fail", "undecided", "not_applicable", "?"])
def test_only_a_passed_pair_has_a_certificate(outcome):
    with pytest.raises(DocumentError):
        certificate(lines=(line(), line(outcome=outcome)))


def test_a_certificate_without_lenses_or_parameters_is_refused():
    for empty in ("lenses", "lines"):
        with pytest.raises(DocumentError):
            certificate(**{empty: ()})


def test_what_is_not_known_is_said_and_what_was_not_measured_is_no_pass():
    lines = (line(), line("Tilt", outcome="not_measured", ordered="", measured="", deviation="", limit=""))
    said = words(certificate_pdf(certificate(instruments=(), lines=lines)))
    assert "Measured with not recorded" in said
    assert "Tilt, deg R – – – – not measured" in said


def test_the_second_person_is_named_where_there_was_one():
    assert "Confirmed by Wren, 2026-03-04 16:00" in words(certificate_pdf(certificate(second="Wren, 2026-03-04 16:00")))
    assert "Confirmed by" not in words(certificate_pdf(certificate()))


def test_a_long_list_runs_over_several_pages_and_repeats_its_head():
    pdf = certificate_pdf(certificate(lines=tuple(line(f"Parameter {n}") for n in range(90))))
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) > 1
    assert "Limit ±" in pages[1].extract_text()


def test_the_same_data_gives_the_same_bytes():
    assert certificate_pdf(certificate()) == certificate_pdf(certificate())


def test_invented_data_is_marked_only_when_told():
    assert "invented demo data" in words(certificate_pdf(certificate(invented=True)))
    assert "invented demo data" not in words(certificate_pdf(certificate()))
