"""The layout drawing: true to size, right way round, and readable."""

from __future__ import annotations

import math
from itertools import combinations
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.documents.errors import DocumentError
from opticshop.documents.figures import Disc, Figure, Line, Polygon, Words, overlap
from opticshop.documents.layout import LayoutData, layout_figure, layout_svg
from opticshop.optics.boxing import Decentration
from opticshop.optics.cutout import Blank, cut_out_for_eye
from opticshop.optics.eyes import Eye

from .samples import layout, layout_eye, lopsided

SVG = "{http://www.w3.org/2000/svg}"


def drawn(data: LayoutData) -> ET.Element:
    return ET.fromstring(layout_svg(data))


def of_role(root: ET.Element, tag: str, role: str) -> list[ET.Element]:
    return [each for each in root.iter(SVG + tag) if each.get("class") == role]


def corners(polygon: ET.Element) -> list[tuple[float, float]]:
    """Points of a polygon with y upward again."""
    pairs = [pair.split(",") for pair in polygon.get("points", "").split()]
    return [(float(x), -float(y)) for x, y in pairs]


def words_of(figure: Figure) -> list[Words]:
    return [shape for shape in figure if isinstance(shape, Words)]


def test_one_unit_of_the_drawing_is_one_millimetre_of_paper():
    root = drawn(layout())
    _, _, width, height = map(float, root.get("viewBox").split())
    assert root.get("width") == f"{width:g}mm"
    assert root.get("height") == f"{height:g}mm"


def test_the_check_bar_is_exactly_100_mm_and_says_so():
    root = drawn(layout())
    (bar,) = of_role(root, "line", "check-bar")
    assert float(bar.get("x2")) - float(bar.get("x1")) == 100
    assert bar.get("y1") == bar.get("y2")
    ticks = sorted(float(tick.get("x1")) - float(bar.get("x1")) for tick in of_role(root, "line", "check-tick"))
    assert ticks == [10 * n for n in range(11)]
    assert "100 mm when printed at true size" in {text.text for text in root.iter(SVG + "text")}


def test_the_boxes_have_their_size_and_stand_apart_by_the_bridge():
    root = drawn(layout(dbl_mm=18, a_mm=50.0, b_mm=38.0))
    edges = {}
    for name in ("right", "left"):
        (box,) = of_role(root, "polygon", f"box {name}")
        x, y = zip(*corners(box), strict=True)
        assert (max(x) - min(x), max(y) - min(y)) == (50, 38)
        edges[name] = (min(x), max(x))
    assert edges == {"right": (-59, -9), "left": (9, 59)}


def test_the_wearers_right_eye_is_on_the_viewers_left_with_its_nasal_mark_toward_the_bridge():
    root = drawn(layout())
    for name, sign in (("right", 1), ("left", -1)):
        (mark,) = of_role(root, "polygon", f"nasal {name}")
        tip, *base = corners(mark)
        assert tip[0] == pytest.approx(-sign * 9)
        assert all(abs(x) > abs(tip[0]) for x, _ in base), "the triangle points at the bridge"
        (heading,) = [text for text in of_role(root, "text", "heading") if text.text == name.upper()]
        assert math.copysign(1, float(heading.get("x"))) == -sign


def test_the_optical_centre_lies_where_the_decentration_says():
    """(A + DBL)/2 - in from the middle of the bridge, toward the bridge from the boxed centre (boxing, ISO 8624)."""
    root = drawn(layout(in_mm=3.0, up_mm=2.0))
    discs = of_role(root, "circle", "optical-centre")
    assert sorted((float(d.get("cx")), -float(d.get("cy"))) for d in discs) == [(-31, 2), (31, 2)]


@pytest.mark.parametrize("diameter", [60.0, 65.0, 72.5])
def test_the_blank_is_a_circle_of_its_diameter_about_the_optical_centre(diameter):
    root = drawn(layout(blank_diameter_mm=diameter))
    (blank,) = of_role(root, "circle", "blank right")
    assert float(blank.get("r")) == diameter / 2
    assert (float(blank.get("cx")), -float(blank.get("cy"))) == (-31, 2)


def test_a_decentred_blank_and_a_shifted_optical_centre_are_drawn_where_they_are():
    root = drawn(layout(optical_centre_in_mm=1.0, optical_centre_up_mm=2.5, blank_centre_x_mm=-2.0))
    (blank,) = of_role(root, "circle", "blank right")
    assert (float(blank.get("cx")), -float(blank.get("cy"))) == (-35, 2.5)
    assert len(of_role(root, "polygon", "centration-point")) == 2


def test_the_two_halves_mirror_each_other():
    root = drawn(layout())
    (right,), (left,) = (of_role(root, "polygon", f"outline {name}") for name in ("right", "left"))
    mirrored = {(-x, y) for x, y in corners(right)}
    assert mirrored == set(corners(left))
    assert mirrored != set(corners(right)), "the shape differs from its mirror image, so the check can fail"


@pytest.mark.parametrize("axis", [1, 45, 90, 135, 180])
def test_the_axis_line_passes_the_optical_centre_at_its_tabo_angle(axis):
    """TABO: counter-clockwise from the viewer's right, for both eyes alike (ISO 8429)."""
    figure = layout_figure(layout(axis_deg=float(axis)))
    for name, centre in (("axis right", -31), ("axis left", 31)):
        (line,) = [shape for shape in figure if isinstance(shape, Line) and shape.role == name]
        (x1, y1), (x2, y2) = line.start, line.end
        assert math.degrees(math.atan2(y2 - y1, x2 - x1)) % 180 == pytest.approx(axis % 180)
        assert ((x1 + x2) / 2, (y1 + y2) / 2) == pytest.approx((centre, 2))


def test_distances_are_written_beside_their_lines():
    texts = {words.text for words in words_of(layout_figure(layout(in_mm=3.25, up_mm=-1.5)))}
    assert {"A 50.0", "B 38.0", "DBL 18.0", "PD 61.5", "30.75", "3.25 in", "1.5 down", "95°", "blank Ø 70.0"} <= texts


def test_what_the_blank_does_not_cover_is_marked_exactly_when_the_cut_out_test_fails():
    outline = lopsided(50, 38)
    verdicts = set()
    for diameter in (56.0, 60.0, 62.0, 64.0, 66.0, 70.0):
        fits = cut_out_for_eye(outline, Blank(diameter), Eye.RIGHT, Decentration(3.0, 2.0)).fits
        figure = layout_figure(LayoutData((layout_eye(Eye.RIGHT, blank_diameter_mm=diameter),), 18.0))
        marked = [shape for shape in figure if isinstance(shape, Polygon) and shape.role == "missing"]
        assert bool(marked) is not fits
        assert ("not covered" in {words.text for words in words_of(figure)}) is not fits
        verdicts.add(fits)
    assert verdicts == {True, False}


def test_one_eye_can_be_drawn_alone():
    figure = layout_figure(LayoutData((layout_eye(Eye.LEFT),), 18.0, "Left lens"))
    assert [disc.centre for disc in figure if isinstance(disc, Disc) and disc.role.startswith("blank")] == [(31, 2)]
    assert not [words for words in words_of(figure) if words.text.startswith(("PD", "DBL"))]


@settings(max_examples=60, deadline=None)
@given(
    a=st.integers(40, 62),
    b=st.integers(24, 50),
    dbl=st.integers(12, 26),
    blank=st.integers(55, 85),
    inward=st.floats(-4, 8),
    up=st.floats(-4, 6),
    axes=st.tuples(st.integers(1, 180), st.integers(1, 180)),
    usable=st.booleans(),
)
def test_no_text_is_printed_over_another_and_all_stay_on_the_paper(a, b, dbl, blank, inward, up, axes, usable):
    more = {
        "in_mm": inward,
        "up_mm": up,
        "blank_diameter_mm": blank,
        "usable_diameter_mm": blank - 2 if usable else None,
    }
    eyes = tuple(
        layout_eye(eye, float(a), float(b), axis_deg=float(axis), **more) for eye, axis in zip(Eye, axes, strict=True)
    )
    figure = layout_figure(LayoutData(eyes, dbl, "Layout of a pair", "invented"))
    texts = words_of(figure)
    for one, other in combinations(texts, 2):
        assert not overlap(one, other), f"{one.text!r} and {other.text!r}"
    for words in texts:
        left, bottom, right, top = words.box()
        assert figure.left <= left
        assert right <= figure.right
        assert figure.bottom <= bottom
        assert top <= figure.top


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"blank_diameter_mm": 0.0}, "blank_diameter_mm"),
        ({"in_mm": math.nan}, "in_mm"),
        ({"axis_deg": 181.0}, "axis_deg"),
        ({"outline_mm": ((0.0, 0.0), (1.0, 1.0))}, "outline_mm"),
        ({"outline_mm": tuple((x * 10, y * 10) for x, y in layout_eye(Eye.RIGHT).outline_mm)}, "outline_mm"),
        ({"outline_mm": tuple((x + 5, y) for x, y in layout_eye(Eye.RIGHT).outline_mm)}, "outline_mm"),
    ],
)
def test_what_cannot_be_drawn_true_is_refused(wrong, field):
    good = layout_eye(Eye.RIGHT)
    details = {name: getattr(good, name) for name in good.__dataclass_fields__}
    with pytest.raises(DocumentError) as caught:
        type(good)(**(details | wrong))
    assert caught.value.field == field


def test_a_layout_never_shows_the_same_eye_twice():
    with pytest.raises(DocumentError):
        LayoutData((layout_eye(Eye.RIGHT), layout_eye(Eye.RIGHT)), 18.0)


def test_markup_in_a_label_stays_text():
    root = drawn(layout(title="<script>alert(1)</script> & co", label="a < b"))
    assert not list(root.iter("script"))
    assert "<script>alert(1)</script> & co" in {text.text for text in root.iter(SVG + "text")}


def test_the_same_data_gives_the_same_drawing():
    assert layout_svg(layout()) == layout_svg(layout())
