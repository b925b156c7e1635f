"""Ticket and drawing follow the trace. Read back with an independent PDF reader and an XML parser."""

from __future__ import annotations

import io
from xml.etree import ElementTree

import pytest
from pypdf import PdfReader

from tests.tracing.shapes_for_tests import both_eyes, dataset, ellipse_radius, lopsided_radius
from tests.workshop.test_workshop_traces import OVAL, traced

pytestmark = pytest.mark.django_db
SVG = "{http://www.w3.org/2000/svg}"


def ticket_of(bench):
    reader = PdfReader(io.BytesIO(bench.client.get(f"{bench.url}ticket/").content))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split()), len(reader.pages)


def drawing_of(bench):
    return ElementTree.fromstring(bench.client.get(f"{bench.url}layout/").content)


def corners(root, role):
    [polygon] = [each for each in root.iter(f"{SVG}polygon") if each.get("class") == role]
    return [(float(x), -float(y)) for x, y in (pair.split(",") for pair in polygon.get("points").split())]


def test_without_a_trace_the_ticket_says_it_once_and_marks_the_shape_as_assumed(bench):
    said, pages = ticket_of(bench)
    assert said.count("Without a trace") == 1
    assert "Both lenses: Without a trace the shape is taken as" in said
    assert said.count("shape ASSUMED") == 4, "for each eye in the table and on the drawing"
    assert pages == 1


def test_with_a_trace_the_ticket_no_longer_says_that_there_is_none(bench):
    traced(bench, OVAL)
    said, pages = ticket_of(bench)
    assert "Without a trace" not in said
    assert "ASSUMED" not in said
    assert "shape as traced" in said
    assert "Right lens traced: ED 50.00 mm; stated for the frame: 54.00." in said
    assert "Left lens traced: ED 50.00 mm; stated for the frame: 54.00." in said
    assert pages == 1


def test_the_drawing_shows_the_shape_as_traced_for_each_eye(bench):
    """Right: the traced radii; left: its mirror image as traced; sizes by plane geometry of the points drawn."""
    row = traced(bench, both_eyes(lopsided_radius, head="DBL=18.00\n"))
    root = drawing_of(bench)
    right, left = corners(root, "outline right"), corners(root, "outline left")
    for points, eye in ((right, "right"), (left, "left")):
        x, y = zip(*points, strict=True)
        assert max(x) - min(x) == pytest.approx(row["eyes"][eye]["a_mm"], abs=0.02)
        assert max(y) - min(y) == pytest.approx(row["eyes"][eye]["b_mm"], abs=0.02)
    assert max(x for x, _ in right) == pytest.approx(-9, abs=0.02), "nasal edge of the right lens: half of DBL"
    assert min(x for x, _ in left) == pytest.approx(9, abs=0.02)
    top_right, top_left = max(right, key=lambda p: p[1]), max(left, key=lambda p: p[1])
    assert top_right[0] == pytest.approx(-top_left[0], abs=0.1)
    box = corners(root, "box right")
    assert sum(x for x, _ in box) / 4 != pytest.approx(top_right[0], abs=1), "the shape is lopsided, so this can fail"


def test_the_drawing_carries_thickness_fitting_point_and_check_bar(bench):
    traced(bench, OVAL)
    root = drawing_of(bench)
    numbers = [each for each in root.iter(f"{SVG}text") if each.get("class") == "edge-thickness"]
    assert len(numbers) >= 12
    layout = bench.client.get(f"{bench.url}layout-data/").json()
    known = [point["thickness_mm"] for eye in layout["eyes"] for point in eye["edge"]]
    for each in numbers:
        assert any(float(each.text) == pytest.approx(thickness, abs=0.06) for thickness in known), each.text
    assert len([each for each in root.iter(f"{SVG}polygon") if each.get("class") == "centration-point"]) == 2
    [bar] = [each for each in root.iter(f"{SVG}line") if each.get("class") == "check-bar"]
    assert float(bar.get("x2")) - float(bar.get("x1")) == 100


def test_an_outline_too_large_is_drawn_and_said_in_red(bench):
    traced(bench, both_eyes(lambda angle: ellipse_radius(70, 58, angle)))
    root = drawing_of(bench)
    warnings = [each.text for each in root.iter(f"{SVG}text") if each.get("class") == "warning"]
    assert [words[:32] for words in warnings] == [
        "THE RIGHT LENS DOES NOT CUT OUT ",
        "THE LEFT LENS DOES NOT CUT OUT o",
    ]
    assert [each for each in root.iter(f"{SVG}polygon") if each.get("class") == "missing"]
    said, _ = ticket_of(bench)
    assert "DOES NOT CUT OUT" in said
    assert "Note: THE LEFT LENS DOES NOT CUT OUT of this blank by the traced outline" in said


def test_a_mirrored_shape_is_named_on_the_paper(bench):
    traced(bench, dataset(lambda angle: ellipse_radius(50, 38, angle)).encode())
    assert "shape mirrored from the other eye" in ticket_of(bench)[0]


def test_the_papers_cost_no_more_queries_with_many_traces(bench, queries):
    traced(bench, OVAL)

    def read():
        assert bench.client.get(f"{bench.url}layout-data/").status_code == 200

    one = queries(read)
    for _ in range(4):
        traced(bench, OVAL)
    assert queries(read) == one
