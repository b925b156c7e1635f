"""Tray labels: the job's number and code, nothing about the person it is for."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from tests.documents.label_reading import read_back

pytestmark = pytest.mark.django_db
URL = "/api/v1/labels/trays/"


def test_tray_labels_read_back_as_the_job_and_name_nobody(bench, world):
    number = bench.read()["number"]
    answer = bench.client.post(URL, {"jobs": [number, number], "layout": "a4-3x8", "start": 24})
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    assert [(read.identifier, read.text, read.page) for read in read_back(answer.content)] == [
        ("]Q1", number, 0),
        ("]Q1", number, 1),
    ]
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages)
    assert " ".join(text.split()) == f"Job {number} Job {number}"


def test_a_place_beyond_the_sheet_is_refused(bench):
    answer = bench.client.post(URL, {"jobs": [bench.read()["number"]], "layout": "a4-3x8", "start": 25})
    assert (answer.status_code, answer.json()["code"]) == (422, "workshop.tray_label_refused")
    assert answer.json()["errors"][0]["pointer"] == "#/start"


def test_jobs_of_others_and_jobs_that_never_were_are_not_there(bench, api, outsider):
    number = bench.read()["number"]
    assert api(outsider).post(URL, {"jobs": [number], "layout": "a4-3x8"}).status_code == 404
    assert bench.client.post(URL, {"jobs": [number, "MILL-J-1999-00001"], "layout": "a4-3x8"}).status_code == 404
    assert api(None).post(URL, {"jobs": [number], "layout": "a4-3x8"}).status_code == 401
