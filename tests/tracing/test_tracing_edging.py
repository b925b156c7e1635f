"""Edge, block, bevel and records for an edger. Sources stand beside each check; customs are checked as stated data."""

from __future__ import annotations

import math
from decimal import Decimal as D

import pytest

from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline
from opticshop.optics.sphero_cylinder import SpheroCylinder
from opticshop.optics.thickness import MeniscusLens, edge_profile
from opticshop.tracing import (
    EdgerEye,
    EdgerJob,
    bevel_for,
    block_positions,
    edge_points,
    edger_records,
    front_curve_dpt,
    mount_notes,
    read_records,
)
from opticshop.tracing.edger_records import frame_type_code, lens_material_code
from opticshop.tracing.edging import BEVEL_RULES, side_of

OVAL = Outline.superellipse(50, 38)


def lens(power: float, centre: float = 2.0, front: float = 4.0) -> MeniscusLens:
    return MeniscusLens.of_back_vertex_power(
        SpheroCylinder(power), front_power_dpt=front, centre_thickness_mm=centre, index=1.5
    )


def profile_of(power: float, **more):
    made = lens(power, **more)
    return made, edge_profile(made, OVAL)


def test_the_thickness_in_eight_directions_is_that_of_the_lens_there():
    """Sagitta of a sphere, s = r - sqrt(r^2 - y^2) (dossier on optics, section 11), front +4.00."""
    made, profile = profile_of(-4.0)
    points = edge_points(profile, OVAL, Eye.RIGHT)
    assert [point.direction_deg for point in points] == [0, 45, 90, 135, 180, 225, 270, 315]
    for point in points:
        turn = math.radians(point.direction_deg)
        radius = 1 / math.hypot(math.cos(turn) / 25, math.sin(turn) / 19)
        assert point.radius_mm == pytest.approx(radius, abs=0.005)
        front_r, back_r = 500 / 4.0, 500 / -made.back.sphere_dpt
        front, back = (r - math.sqrt(r * r - radius * radius) for r in (front_r, back_r))
        assert point.thickness_mm == pytest.approx(2.0 - front + back, abs=0.005)


@pytest.mark.parametrize(
    ("direction", "right", "left"),
    [
        (0, "nasal", "temporal"),
        (180, "temporal", "nasal"),
        (90, "upper", "upper"),
        (225, "lower temporal", "lower nasal"),
    ],
)
def test_directions_are_named_by_side(direction, right, left):
    """TABO: 0 degrees lies to the viewer's right: nasal for the right eye, temporal for the left."""
    assert side_of(direction, Eye.RIGHT) == right
    assert side_of(direction, Eye.LEFT) == left


def test_the_block_is_moved_by_the_decentration_or_stays_on_the_optical_centre():
    on_centre, on_box = block_positions(OVAL, in_mm=3, up_mm=2, eye=Eye.LEFT)
    assert (on_centre.out_mm, on_centre.down_mm) == (0, 0)
    assert (on_box.out_mm, on_box.down_mm) == (3, 2)
    assert on_box.room_mm == pytest.approx(19, abs=0.01), "half the height of an ellipse"
    points = ((25 * math.cos(t / 500), 19 * math.sin(t / 500)) for t in range(3142))
    assert on_centre.room_mm == pytest.approx(min(math.hypot(x + 3, y - 2) for x, y in points), abs=0.01)


def test_a_centre_outside_the_shape_leaves_no_room_for_a_block():
    assert block_positions(OVAL, in_mm=30, up_mm=0, eye=Eye.RIGHT)[0].room_mm == 0


def test_the_curve_of_the_front_is_told_at_the_tooling_index():
    """Radius = 1000 (n - 1) / F; curve = 530 / radius: at n 1.5, +4.00 has 125 mm and a curve of 4.24."""
    assert front_curve_dpt(lens(-2.0)) == pytest.approx(530 / 125)


@pytest.mark.parametrize(("power", "place"), [(-0.5, "share"), (-3.0, "share"), (-8.0, "front")])
def test_the_bevel_follows_the_thickest_edge(power, place):
    made, profile = profile_of(power)
    bevel = bevel_for(profile, made)
    rule = next(rule for rule in BEVEL_RULES if profile.thickest_mm <= rule.thickest_up_to_mm)
    assert (bevel.place, bevel.front_share, bevel.basis) == (place, rule.front_share, "common practice, no source")
    assert 0 < bevel.apex_mm[0] <= bevel.apex_mm[1] < profile.thickest_mm


def test_a_rim_of_another_curve_asks_for_its_own_bevel():
    made, profile = profile_of(-3.0)
    assert bevel_for(profile, made, rim_curve_dpt=4.5).place == "share"
    bevel = bevel_for(profile, made, rim_curve_dpt=8.0)
    assert (bevel.place, bevel.curve_dpt) == ("base_curve", 8.0)


def test_an_edge_too_thin_for_its_mount_is_a_warning():
    _, profile = profile_of(2.0, centre=3.0, front=6.0)
    points = edge_points(profile, OVAL, Eye.RIGHT)
    assert profile.thinnest_mm < 1.8
    for mount in ("half_rim", "rimless"):
        [warning] = [note for note in mount_notes(mount, points, profile, index=1.59) if note.is_warning]
        assert warning.key == "edge_too_thin"
    assert "drill_material" in {note.key for note in mount_notes("rimless", points, profile, index=1.5)}
    _, profile = profile_of(-6.0)
    assert not any(note.is_warning for note in mount_notes("half_rim", points, profile, index=1.5))


def edger_eye(**more) -> EdgerEye:
    details = {
        "sphere_dpt": D("-4.00"),
        "cylinder_dpt": D("-1.00"),
        "axis_deg": 170,
        "addition_dpt": None,
        "prism_in_dpt": D(0),
        "prism_up_dpt": D(0),
        "distance_mm": D("33.0"),
        "height_mm": D("20.0"),
        "index": D("1.498"),
        "material": "Allyl diglycol carbonate",
        "kind": "single_vision",
        "a_mm": 50.0,
        "b_mm": 38.0,
        "ed_mm": 54.0,
    }
    return EdgerEye(**(details | more))


def records(**more) -> dict[str, str]:
    details = {
        "number": "000123",
        "eyes": {Eye.RIGHT: edger_eye(), Eye.LEFT: edger_eye(cylinder_dpt=D(0), axis_deg=None)},
        "made": frozenset(Eye),
        "dbl_mm": 18.0,
        "frame_name": "Heron; 50 Łódź?",
        "frame_maker": "",
        "frame_size_mm": 50.0,
        "frame_material": "acetate",
        "mount": "full_rim",
    }
    content = edger_records(EdgerJob(**(details | more)))
    assert all(char == 13 or char == 10 or 32 <= char < 127 for char in content)
    return {record.label: record.text for record in read_records(content)}


def test_leading_zeros_and_fixed_decimals_and_no_plus():
    said = records(eyes={Eye.RIGHT: edger_eye(sphere_dpt=D("2.5"), addition_dpt=D("1.25")), Eye.LEFT: edger_eye()})
    assert said["JOB"] == "000123"
    assert said["SPH"] == "2.50;-4.00"
    assert said["ADD"] == "1.25;0.00"
    assert said["FRAM"] == '"Heron 50 d"'


def test_the_base_setting_runs_round_as_seen_from_the_front():
    """Base in: 0 degrees for the right eye, 180 for the left; base up 90 for both (dossier, section 1 and 2)."""
    inward = {eye: edger_eye(prism_in_dpt=D("2.00")) for eye in Eye}
    assert (records(eyes=inward)["PRVM"], records(eyes=inward)["PRVA"]) == ("2.00;2.00", "0.00;180.00")
    downward = {eye: edger_eye(prism_up_dpt=D("-1.50")) for eye in Eye}
    assert (records(eyes=downward)["PRVM"], records(eyes=downward)["PRVA"]) == ("1.50;1.50", "270.00;270.00")


def test_a_single_lens_leaves_the_other_side_empty_not_nought():
    said = records(eyes={Eye.LEFT: edger_eye()}, made=frozenset({Eye.LEFT}))
    assert (said["DO"], said["SPH"], said["PRVM"]) == ("L", ";-4.00", ";0.00")


def test_near_pairs_segments_grooves_and_edges():
    assert (records(is_near=True)["NPD"], records(is_near=True)["IPD"]) == ("33.00;33.00", "?;?")
    segment = {eye: edger_eye(kind="multifocal") for eye in Eye}
    assert records(eyes=segment)["SEGHT"] == "20.00;20.00"
    assert records(eyes=segment)["LTYP"] == "BI;BI"
    half = records(mount="half_rim", groove_mm=(0.6, 0.5))
    assert (half["ETYP"], half["GWIDTH"], half["GDEPTH"]) == ("3;3", "0.60;0.60", "0.50;0.50")
    assert (records(mount="rimless")["ETYP"], records(mount="rimless")["FTYP"]) == ("2;2", "3")


def test_bevels_are_told_only_as_far_as_the_labels_are_known():
    """1 front, 2 percent with BEVM=33 for 1:2, 4 for 50:50 (dossier, section 2, from memory)."""
    thin, thick = (bevel_for(profile, made) for made, profile in (profile_of(-0.5), profile_of(-3.0)))
    said = records(eyes={Eye.RIGHT: edger_eye(bevel=thin), Eye.LEFT: edger_eye(bevel=thick)})
    assert (said["BEVP"], said["BEVM"]) == ("4;2", ";33")
    made, profile = profile_of(-3.0)
    own = bevel_for(profile, made, rim_curve_dpt=8.0)
    assert "BEVP" not in records(eyes={eye: edger_eye(bevel=own) for eye in Eye})


@pytest.mark.parametrize(
    ("material", "index", "code"),
    [
        ("Allyl diglycol carbonate", "1.498", "1"),
        ("polycarbonate", "1.586", "2"),
        ("ophthalmic crown glass", "1.523", "3"),
        ("thiourethane 1.67", "1.661", "5"),
        ("impact-resistant urethane", "1.532", "6"),
    ],
)
def test_material_codes(material, index, code):
    assert lens_material_code(material, D(index)) == code


def test_frame_codes():
    assert [frame_type_code(material, "full_rim") for material in ("titanium", "acetate", "horn")] == ["2", "1", "0"]
