"""The bench ticket and the layout drawing."""

from __future__ import annotations

import io
from xml.etree import ElementTree

import pytest
from pypdf import PdfReader

pytestmark = pytest.mark.django_db
SVG = "{http://www.w3.org/2000/svg}"


def words(response):
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(response.content)).pages)


def test_the_ticket_is_a_pdf_with_what_the_bench_needs_and_nothing_about_the_wearer(bench, order, world):
    bench.done("stop", {"reason": "Frame is at the counter"})
    response = bench.client.get(f"{bench.url}ticket/", headers={"Accept": "application/pdf"})
    assert response.status_code == 200
    assert response["Content-Type"] == "application/pdf"
    assert response["Cache-Control"] == "no-store"
    text = words(response)
    for fact in ("MILL-J-2026-00001", order["number"], world.frame.name, "170", "L1", "Frame is at the counter"):
        assert fact in text, fact
    for private in (world.customer.family_name, world.customer.email, "1984"):
        assert private not in text


def test_the_layout_is_true_to_size(bench):
    """Boxing: decentration in = (50 + 18) / 2 - 33 = 1 and - 32 = 2 mm (ISO 8624 formula)."""
    response = bench.client.get(f"{bench.url}layout/", headers={"Accept": "image/svg+xml"})
    assert response.status_code == 200
    assert response["Content-Type"].startswith("image/svg+xml")
    root = ElementTree.fromstring(response.content)
    assert root.tag == f"{SVG}svg"
    text = " ".join(root.itertext())
    for fact in ("1.0 in", "2.0 in", "1.0 up", "A 50.0", "B 38.0", "DBL 18.0", "PD 65.0", "170°"):
        assert fact in text, fact


def test_papers_are_offered_in_their_own_media_type_only(bench):
    for paper in ("ticket", "layout"):
        response = bench.client.get(f"{bench.url}{paper}/", headers={"Accept": "text/csv"})
        assert response.status_code == 406
        assert response["Content-Type"] == "application/problem+json"
        assert response.json()["status"] == 406
        assert bench.client.get(f"{bench.url}{paper}/").status_code == 200


def test_a_paper_of_a_job_that_is_not_there_is_a_problem(bench, api, outsider):
    response = api(outsider).get(f"{bench.url}ticket/", headers={"Accept": "application/pdf"})
    assert response.status_code == 404
    assert response.json()["code"] == "core.not_found"
