"""Traces in records: shapes of known size, refusals with line and label, hostile input.

Known sizes: plane geometry (circle, ellipse by its perimeter series of Ramanujan, rectangle); the constructed example
is that of the dossier on interchange, section 2: polygon of a circle, perimeter 16 x 25 x sin(22.5 deg) = 153.07 mm.
Targets there: 0.05 mm for A, B and ED, 0.3 mm for the perimeter.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.optics.eyes import Eye
from opticshop.tracing import Missing, TraceError, mirror_difference, notes_of, read_trace

from .shapes_for_tests import (
    EXAMPLE,
    both_eyes,
    dataset,
    ellipse_radius,
    lopsided_radius,
    off_centre_circle_radius,
    rectangle_radius,
)

ELLIPSE = lambda angle: ellipse_radius(52, 36, angle)  # noqa: E731
CIRCLE = lambda angle: 25.0  # noqa: E731


def ramanujan(a: float, b: float) -> float:
    h = ((a - b) / (a + b)) ** 2
    return math.pi * (a + b) * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h)))


def right_of(content: str | bytes):
    return read_trace(content.encode() if isinstance(content, str) else content).of(Eye.RIGHT).measures


def refusal(content: str | bytes) -> TraceError:
    with pytest.raises(TraceError) as caught:
        read_trace(content.encode() if isinstance(content, str) else content)
    return caught.value


def test_the_constructed_example():
    trace = read_trace(EXAMPLE)
    for eye in Eye:
        measured = trace.shapes[eye].measures
        assert (measured.a_mm, measured.b_mm, measured.ed_mm) == pytest.approx((50, 50, 50))
        assert measured.circumference_mm == pytest.approx(16 * 25 * math.sin(math.radians(22.5)), abs=0.005)
        assert measured.circumference_mm == pytest.approx(153.07, abs=0.005)
    assert trace.dbl_mm == 18.0
    assert trace.kind == "frame"
    assert trace.stated[Eye.LEFT, "a_mm"] == 50.0
    assert notes_of(trace) == ()


@pytest.mark.parametrize("count", [36, 72, 360, 400, 512, 800, 1000, 1440])
def test_a_circle_in_every_usual_number_of_points(count):
    measured = right_of(dataset(CIRCLE, count=count))
    assert (measured.a_mm, measured.b_mm, measured.ed_mm) == pytest.approx(
        (50, 50, 50), abs=0.05 if count > 72 else 0.2
    )
    assert measured.circumference_mm == pytest.approx(2 * count * 25 * math.sin(math.pi / count), abs=0.01)
    if count >= 360:
        assert measured.circumference_mm == pytest.approx(157.08, abs=0.3)


def test_an_ellipse():
    measured = right_of(dataset(ELLIPSE))
    assert (measured.a_mm, measured.b_mm, measured.ed_mm) == pytest.approx((52, 36, 52), abs=0.05)
    assert measured.circumference_mm == pytest.approx(ramanujan(26, 18), abs=0.3)
    assert measured.ed_axis_deg % 180 == pytest.approx(0, abs=0.5)


def test_a_rectangle_with_its_corners_among_the_angles():
    """ED of a box is its diagonal, perimeter twice the sum of its sides."""
    corner = math.degrees(math.atan2(40, 50))
    corners = [corner, 180 - corner, 180 + corner, 360 - corner]
    angles = sorted({round(angle, 2) for angle in [*np.arange(0, 360, 0.5), *corners]})
    measured = right_of(dataset(lambda angle: rectangle_radius(50, 40, angle), angles_deg=angles))
    assert (measured.a_mm, measured.b_mm) == pytest.approx((50, 40), abs=0.05)
    assert measured.ed_mm == pytest.approx(math.hypot(50, 40), abs=0.05)
    assert measured.circumference_mm == pytest.approx(180, abs=0.3)


@pytest.mark.parametrize("centre", [(4, 0), (-3, 5), (0, -8)])
def test_tracing_from_another_origin_changes_nothing(centre):
    measured = right_of(dataset(lambda angle: off_centre_circle_radius(25, *centre, angle), count=720))
    assert (measured.a_mm, measured.b_mm, measured.ed_mm) == pytest.approx((50, 50, 50), abs=0.05)
    assert measured.circumference_mm == pytest.approx(157.08, abs=0.3)


def test_unequal_angles():
    angles = np.cumsum(np.tile([0.4, 1.1, 0.7, 0.8], 120)) - 0.4
    measured = right_of(dataset(ELLIPSE, angles_deg=angles))
    assert (measured.a_mm, measured.b_mm, measured.ed_mm) == pytest.approx((52, 36, 52), abs=0.05)
    assert measured.circumference_mm == pytest.approx(ramanujan(26, 18), abs=0.3)


def test_nought_degrees_is_nasal_for_the_right_eye_and_temporal_for_the_left():
    """A bump at 0 degrees lies at +x for both: nasal for R, temporal for L (dossier, orientation, from memory)."""
    bump = lambda angle: 24 + 2 * max(math.cos(angle), 0) ** 8  # noqa: E731
    trace = read_trace((dataset(bump) + dataset(bump, side="L")).encode())
    for eye in Eye:
        assert trace.shapes[eye].measures.ed_axis_deg % 360 == pytest.approx(0, abs=1)
    assert trace.shapes[Eye.RIGHT].eye.nasal_sign > 0 > trace.shapes[Eye.LEFT].eye.nasal_sign
    [note] = notes_of(trace)
    assert note.code == "eyes_differ"


def test_the_mirror_of_an_equal_angle_trace_is_the_left_eye():
    """left[i] = right[(n/2 - i) mod n] for even n (dossier, trace)."""
    radii = [round(100 * lopsided_radius(math.radians(angle))) for angle in np.arange(400) * 0.9]
    left = [radii[(200 - i) % 400] for i in range(400)]
    content = f"TRCFMT=1;400;E;R;F\nR={';'.join(map(str, radii))}\nTRCFMT=1;400;E;L;F\nR={';'.join(map(str, left))}\n"
    trace = read_trace(content.encode())
    difference = mirror_difference(trace.shapes[Eye.RIGHT], trace.shapes[Eye.LEFT])
    assert difference.largest_mm == pytest.approx(0, abs=1e-9)
    assert difference.is_within
    assert trace.shapes[Eye.RIGHT].outline != trace.shapes[Eye.LEFT].outline


def test_one_eye_alone_gives_the_other_as_its_mirror_image_and_says_so():
    trace = read_trace(dataset(lopsided_radius).encode())
    assert trace.of(Eye.LEFT).is_mirrored
    assert mirror_difference(trace.of(Eye.RIGHT), trace.of(Eye.LEFT)).largest_mm == pytest.approx(0, abs=1e-9)
    [note] = notes_of(trace)
    assert (note.code, note.eye) == ("other_eye_mirrored", Eye.LEFT)


def test_stated_sizes_that_differ_are_noted_and_both_kept():
    head = "HBOX=52.00;53.00\nVBOX=36.00;?\nCIRC=139.50;\nFED=52.0\n"
    trace = read_trace(both_eyes(ELLIPSE, head=head))
    notes = {note.code: note for note in notes_of(trace)}
    assert notes["differs_from_file"].eye is Eye.LEFT
    assert "53.00" in notes["differs_from_file"].words
    assert notes["one_value_for_two_eyes"].line == 4
    assert trace.stated[Eye.LEFT, "b_mm"] is Missing.UNKNOWN
    assert (Eye.LEFT, "circumference_mm") not in trace.stated
    assert trace.shapes[Eye.LEFT].measures.a_mm == pytest.approx(52, abs=0.05)


GOOD = dataset(CIRCLE, count=8)


@pytest.mark.parametrize(
    ("content", "line", "label", "reason"),
    [
        ("R=2500;2500\n" + GOOD, 1, "R", "no TRCFMT"),
        ("A=0;100\n" + GOOD, 1, "A", "no TRCFMT"),
        ("JOB=1\n", None, "", "no trace"),
        ("TRCFMT=0;;;;\n", None, "", "no trace"),
        (GOOD + GOOD, 3, "TRCFMT", "given before"),
        ("TRCFMT=1;9;E;R;F\nR=2500;2500;2500;2500\nR=2500;2500;2500;2500\n", 3, "R", "says 9"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;2500;2500;2500\nR=2500;2500;2500;2500\n", 3, "R", "says 8"),
        ("TRCFMT=1;8;E;R;F\n", 1, "R", "there are none"),
        ("TRCFMT=1;8;U;R;F\nR=" + ";".join(["2500"] * 8), 1, "A", "there are none"),
        ("TRCFMT=1;8;U;R;F\nR=" + ";".join(["2500"] * 8) + "\nA=0;4500;9000\n", 3, "A", "says 8"),
        (
            "TRCFMT=1;8;U;R;F\nR=" + ";".join(["2500"] * 8) + "\nA=0;4500;9000;8000;18000;22500;27000;31500\n",
            3,
            "A",
            "not larger",
        ),
        (
            "TRCFMT=1;8;U;R;F\nR=" + ";".join(["2500"] * 8) + "\nA=0;4500;9000;13500;18000;22500;27000;36000\n",
            3,
            "A",
            "whole turn",
        ),
        ("TRCFMT=1;8;U;R;F\nR=" + ";".join(["2500"] * 8) + "\nA=1;2;3;4;5;6;7;8\n", 2, "A", "all the way round"),
        (GOOD.replace("\r\nR=", "\r\nA=0;4500\r\nR=", 1), 2, "A", "equal angles"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;25.0;2500\nR=2500;2500;2500;2500\n", 2, "R", "not a whole number"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;;2500\nR=2500;2500;2500;2500\n", 2, "R", "not a whole number"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;?;2500\nR=2500;2500;2500;2500\n", 2, "R", "not a whole number"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;0;2500\nR=2500;2500;2500;2500\n", 2, "R", "radius 3"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;-2500;2500\nR=2500;2500;2500;2500\n", 2, "R", "radius 3"),
        ("TRCFMT=1;8;E;R;F\nR=2500;2500;2500;2500\nR=2500;6001;2500;2500\n", 3, "R", "radius 6 is 6001"),
        ("TRCFMT=1;8;E;R;F\nR=499;2500;2500;2500\nR=2500;2500;2500;2500\n", 2, "R", "radius 1 is 499"),
        ("TRCFMT=2;400;E;R;F\n", 1, "TRCFMT", "binary absolute"),
        ("TRCFMT=3;400;E;R;F\n", 1, "TRCFMT", "binary differential"),
        ("TRCFMT=4;400;E;R;F\n", 1, "TRCFMT", "packed binary"),
        ("TRCFMT=7;400;E;R;F\n", 1, "TRCFMT", "not a known format"),
        ("TRCFMT=1;0;E;R;F\n", 1, "TRCFMT", "count"),
        ("TRCFMT=1;-8;E;R;F\n", 1, "TRCFMT", "count"),
        ("TRCFMT=1;99999999;E;R;F\n", 1, "TRCFMT", "count"),
        ("TRCFMT=1;8;X;R;F\n", 1, "TRCFMT", "mode"),
        ("TRCFMT=1;8;E;B;F\n", 1, "TRCFMT", "side"),
        ("TRCFMT=1;8;E;R;Q\n", 1, "TRCFMT", "type"),
        ("TRCFMT=1;8;E\n", 1, "TRCFMT", "five fields"),
        ("TRCFMT=1;8;E;R;F;9;9\n", 1, "TRCFMT", "five fields"),
        (GOOD + dataset(CIRCLE, count=8, side="L", kind="D"), 3, "TRCFMT", "same kind"),
        (GOOD + "ZFMT=1;8;E;R;F\nZ=1;2;3\n", 4, "Z", "says 8"),
        ("Z=1\n" + GOOD, 1, "Z", "no ZFMT"),
        ("HBOX=50;50\nHBOX=51;50\n" + GOOD, 2, "HBOX", "line 1"),
        ("DBL=18;18\n" + GOOD, 1, "DBL", "one value"),
        ("DBL=18\nDBL=19\n" + GOOD, 2, "DBL", "line 1"),
    ],
)
def test_a_nonsense_trace_is_refused_with_line_label_and_reason(content, line, label, reason):
    error = refusal(content)
    assert (error.line, error.label) == (line, label), str(error)
    assert reason in error.reason


def test_a_jagged_trace_is_no_lens():
    error = refusal("TRCFMT=1;36;E;R;F\nR=" + ";".join(["2000", "3000"] * 18) + "\n")
    assert (error.line, error.label) == (2, "R")
    assert "jagged" in error.reason


def test_long_private_labels_are_kept_and_noted():
    [note, _] = notes_of(read_trace(("_LONGERTHAN8=1\n" + GOOD).encode()))
    assert (note.code, note.line) == ("long_label", 1)


@settings(max_examples=40)
@given(
    st.lists(st.floats(-0.02, 0.02), min_size=6, max_size=6),
    st.integers(0, 359),
)
def test_turning_or_mirroring_a_shape_keeps_its_circumference(waves, turn):
    def radius(angle):
        return 24 * (1 + sum(wave * math.cos((k + 1) * angle + k) for k, wave in enumerate(waves)))

    plain = right_of(dataset(radius, count=360)).circumference_mm
    turned = right_of(dataset(lambda angle: radius(angle + math.radians(turn)), count=360)).circumference_mm
    mirrored = read_trace(dataset(radius, count=360).encode()).of(Eye.LEFT).measures.circumference_mm
    assert turned == pytest.approx(plain, abs=0.05)
    assert mirrored == pytest.approx(plain, abs=1e-9)


FRAGMENTS = st.sampled_from(
    b"TRCFMT=1;8;E;R;F|TRCFMT=1;8;U;L;D|TRCFMT=|R=2500;2500|R=2500;2500;2500;2500|R=|A=0;4500;9000|HBOX=50|DBL=?|"
    b'ZFMT=1;8;E;R;F|Z=-10|JOB="1|STATUS=0|CIRC=;;|\x00|R=9R=9|'.split(b"|")
)


@settings(max_examples=200)
@given(
    st.lists(st.one_of(FRAGMENTS, st.binary(max_size=20)), max_size=12), st.sampled_from([b"\r\n", b"\n", b"\r", b""])
)
def test_hostile_records_raise_our_error_only(parts, ending):
    try:
        trace = read_trace(ending.join(parts))
    except TraceError:
        return
    notes_of(trace)
