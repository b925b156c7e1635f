"""Outlines from tables and drawings. Known sizes: plane geometry of ellipse, circle and rectangle (exact formulas)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.optics.eyes import Eye
from opticshop.tracing import TraceError, notes_of, read_csv_outlines, read_svg_outlines

from .shapes_for_tests import ellipse_radius, lopsided_radius


def svg(body: str, size: str = 'width="60mm" height="50mm" viewBox="0 0 60 50"', head: str = "") -> bytes:
    return f'{head}<svg xmlns="http://www.w3.org/2000/svg" {size}>{body}</svg>'.encode()


OVAL = '<path d="M 5 25 A 25 19 0 1 1 55 25 A 25 19 0 1 1 5 25 Z"/>'


def table(head: str, rows) -> bytes:
    return "\r\n".join([head, *(",".join(map(str, row)) for row in rows)]).encode()


def refused(read, content: bytes) -> TraceError:
    with pytest.raises(TraceError) as caught:
        read(content)
    return caught.value


def sizes(trace, eye=Eye.RIGHT):
    measured = trace.of(eye).measures
    return measured.a_mm, measured.b_mm, measured.ed_mm


def test_a_table_of_radii_at_equal_angles():
    rows = [(round(ellipse_radius(50, 38, math.tau * n / 360), 4),) for n in range(360)]
    trace = read_csv_outlines(table("radius_mm", rows))
    assert sizes(trace) == pytest.approx((50, 38, 50), abs=0.05)


def test_a_table_of_radii_at_stated_angles_for_both_eyes():
    angles = [n * 0.9 for n in range(400)]
    rows = [("right", f"{a:.1f}", f"{lopsided_radius(math.radians(a)):.3f}") for a in angles]
    rows += [("Left", f"{a:.1f}", f"{lopsided_radius(math.pi - math.radians(a)):.3f}") for a in angles]
    trace = read_csv_outlines(table("eye,angle_deg,radius_mm", rows))
    assert set(trace.shapes) == {Eye.RIGHT, Eye.LEFT}
    assert notes_of(trace) == ()


def test_a_table_of_points_anywhere_on_the_sheet():
    """A rectangle 50 by 40: ED is its diagonal, the perimeter 180."""
    trace = read_csv_outlines(table("x_mm,y_mm", [(100, 10), (150, 10), (150, 50), (100, 50)]), eye=Eye.LEFT)
    assert sizes(trace, Eye.LEFT) == pytest.approx((50, 40, math.hypot(50, 40)))
    assert trace.shapes[Eye.LEFT].measures.circumference_mm == pytest.approx(180)


@pytest.mark.parametrize(
    ("content", "line", "label", "reason"),
    [
        (b"", 1, "", "head row"),
        (b"radius\n25\n", 1, "", "head row"),
        (b"eye,eye,radius_mm\n", 1, "", "head row"),
        (b"radius_mm\n", None, "", "no rows"),
        (b"radius_mm\n" + b"25\n" * 7, 2, "", "7 rows"),
        (b"radius_mm\n25\n=1+1\n", 3, "radius_mm", "not a number"),
        (b"radius_mm\n25\nnan\n", 3, "radius_mm", "not a number"),
        (b"radius_mm\n25\n1e3\n", 3, "radius_mm", "not a number"),
        (b"radius_mm\n25\n2\n", 3, "radius_mm", "5 and 60"),
        (b"x_mm,y_mm\n1,2\n3\n", 3, "", "1 cells"),
        (b"eye,radius_mm\nthird,25\n", 2, "eye", "neither"),
        (b"x_mm,y_mm\n0,0\n40,30\n40,0\n0,20\n", 2, "x_mm, y_mm", "crosses"),
        (b"x_mm,y_mm\n0,0\n4,0\n4,3\n0,3\n", 2, "y_mm", "5 and 60"),
        (b"radius_mm\n\xff\n", 2, "", "UTF-8"),
        (b'radius_mm\n"25\n', 2, "", "comma-separated"),
        (b"angle_deg,radius_mm\n" + b"".join(b"%d,25\n" % n for n in range(9)), 2, "angle_deg", "all the way"),
    ],
)
def test_a_table_that_is_no_outline_is_refused_with_its_row(content, line, label, reason):
    error = refused(read_csv_outlines, content)
    assert (error.line, error.label) == (line, label), str(error)
    assert reason in error.reason


def test_every_bad_row_is_told_up_to_a_limit():
    error = refused(read_csv_outlines, table("radius_mm", [("x",)] * 50))
    assert [problem.line for problem in error.problems] == list(range(2, 22))


def test_a_path_of_arcs_is_an_ellipse():
    assert sizes(read_svg_outlines(svg(OVAL))) == pytest.approx((50, 38, 50), abs=0.05)


def test_a_drawing_is_scaled_by_its_view_box_and_turned_right_way_up():
    """A triangle-like polygon with its tip at the top of the page: on the lens the tip is up."""
    body = '<polygon points="300,50 500,450 100,450"/>'
    trace = read_svg_outlines(svg(body, 'width="60mm" height="50mm" viewBox="0 0 600 500"'))
    assert sizes(trace)[:2] == pytest.approx((40, 40))
    tip = max(trace.of(Eye.RIGHT).outline.points_mm.tolist(), key=lambda point: point[1])
    assert tip == pytest.approx([0, 20])


def test_bezier_curves_are_followed():
    """A circle by four cubic curves, control points at 0.5522847 of the radius: within 0.03 % of the circle."""
    k = 25 * 0.5522847
    body = f'<path d="M55 30c0 {k} {k - 25} 25 -25 25s-25 {k - 25} -25 -25s{25 - k} -25 25 -25s25 {25 - k} 25 25z"/>'
    measured = read_svg_outlines(svg(body, 'width="60mm" height="60mm" viewBox="0 0 60 60"')).of(Eye.RIGHT).measures
    assert (measured.a_mm, measured.b_mm) == pytest.approx((50, 50), abs=0.05)
    assert measured.circumference_mm == pytest.approx(math.pi * 50, abs=0.3)


def test_two_shapes_say_whose_they_are():
    left = OVAL.replace("<path", '<path id="left"').replace("25 19", "25 17")
    trace = read_svg_outlines(svg(OVAL.replace("<path", '<path data-eye="right"') + left))
    assert sizes(trace, Eye.RIGHT)[1] == pytest.approx(38, abs=0.05)
    assert sizes(trace, Eye.LEFT)[1] == pytest.approx(34, abs=0.05)
    assert "eyes_differ" in {note.code for note in notes_of(trace)}


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "well-formed"),
        (b"<svg", "well-formed"),
        (b"<html/>", "not svg"),
        (svg(""), "no path"),
        (svg(OVAL * 3), "3 shapes"),
        (svg(OVAL * 2), "id="),
        (svg(OVAL.replace("<path", '<path id="left"') * 2), "same eye"),
        (svg(OVAL, 'width="60" height="50" viewBox="0 0 60 50"'), "in mm"),
        (svg(OVAL, 'width="60px" height="50px" viewBox="0 0 60 50"'), "in mm"),
        (svg(OVAL, 'width="60mm" height="50mm"'), "numbers"),
        (svg(OVAL, 'width="60mm" height="50mm" viewBox="0 0 60 60"'), "differently"),
        (svg(OVAL, 'width="60mm" height="50mm" viewBox="0 0 0 50"'), "viewBox"),
        (svg(f'<g transform="scale(2)">{OVAL}</g>'), "transformation"),
        (svg(f'<svg x="3">{OVAL}</svg>'), "transformation"),
        (svg('<path d="M0 0 L40 0 L40 30 L0 30"/>'), "not closed"),
        (svg('<path d="M0 0 L40 0 L40 30 Z M1 1 L2 2 L3 3 Z"/>'), "without gaps"),
        (svg('<path d="M0 0 L40 0 x L40 30 Z"/>'), "no path command"),
        (svg('<path d="L40 0 Z"/>'), "path"),
        (svg('<path d=""/>'), "gaps"),
        (svg('<path d="M0 0 A 1 Z"/>'), "cannot be read"),
        (svg('<polygon points="0,0 40,0 40"/>'), "pairs"),
        (svg('<polygon points="0,0 40,30 40,0 0,20"/>'), "crosses"),
        (svg('<polygon points="0,0 4,0 4,3 0,3"/>'), "5 and 60"),
    ],
)
def test_a_drawing_that_is_no_outline_is_refused(content, reason):
    assert reason in str(refused(read_svg_outlines, content))


@pytest.mark.parametrize(
    "head",
    [
        '<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>',
        '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://example.org/svg.dtd">',
    ],
)
def test_document_types_and_entities_are_refused(head):
    assert "not accepted" in refused(read_svg_outlines, svg(f"{OVAL}<text>&a;</text>", head=head)).reason


def test_files_over_the_size_limit_are_refused():
    for read in (read_csv_outlines, read_svg_outlines):
        assert "at most" in refused(read, b" " * 1_000_001).reason


PIECES = st.sampled_from(
    [
        *("M0 0", "L40 0", "l1,1", "H", "V30", "c1 2 3 4 5 6", "A25 19 0 1 1 55 25", "A0 0 0 0 0 9 9", "Z", "z"),
        *("q1 1 2", "T5 5", "e", "1e99", "-", ".", ",,", "M", "S1 2 3 4"),
    ]
)


@settings(max_examples=150)
@given(st.lists(PIECES, max_size=10))
def test_hostile_paths_raise_our_error_only(pieces):
    try:
        read_svg_outlines(svg(f'<path d="{" ".join(pieces)}"/>'))
    except TraceError:
        return


@settings(max_examples=150)
@given(st.one_of(st.binary(max_size=120), st.text(max_size=120).map(lambda text: text.encode("utf-8", "ignore"))))
def test_hostile_files_raise_our_error_only(content):
    for read in (read_csv_outlines, read_svg_outlines):
        for prefix in (b"", b"eye,radius_mm\nright,", b"<svg width='1mm' "):
            try:
                read(prefix + content)
            except TraceError:
                continue
