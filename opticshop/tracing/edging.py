"""What the edge of a lens asks for: thickness all round, where the block goes, which bevel, what mount needs.

The suggestions are customs of the trade held as data, each with what it rests on; the person at the edger decides. The
maker's sheets of frame, lens and machine come first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline
from opticshop.optics.thickness import EdgeProfile, MeniscusLens

Mount = Literal["full_rim", "half_rim", "rimless"]

DIRECTIONS_DEG = tuple(range(0, 360, 45))
_CUSTOM = "common practice, no source"
#: Curves of frames and bevels are told at this index (tooling index of the trade): radius in mm = 530 / curve.
TOOLING_INDEX = 1.530


@dataclass(frozen=True, slots=True)
class EdgePoint:
    """The edge in one direction from the boxed centre, as the viewer sees it from the front: 0 to the right, 90 up."""

    direction_deg: float
    side: str
    radius_mm: float
    thickness_mm: float


def edge_points(profile: EdgeProfile, outline: Outline, eye: Eye) -> list[EdgePoint]:
    """Thickness in eight directions, interpolated along the outline between its points."""
    x, y = outline.points_mm.T
    angles = np.rad2deg(np.arctan2(y, x)) % 360.0
    order = np.argsort(angles, kind="stable")
    radii = np.hypot(x, y)
    around = np.concatenate((angles[order] - 360.0, angles[order], angles[order] + 360.0))
    return [
        EdgePoint(
            float(direction),
            side_of(direction, eye),
            float(np.interp(direction, around, np.tile(radii[order], 3))),
            float(np.interp(direction, around, np.tile(profile.thickness_mm[order], 3))),
        )
        for direction in DIRECTIONS_DEG
    ]


def side_of(direction_deg: float, eye: Eye) -> str:
    """``nasal``, ``upper temporal`` and so on."""
    turn = math.radians(direction_deg)
    across, up = round(math.cos(turn), 6) * eye.nasal_sign, round(math.sin(turn), 6)
    words = ["upper" if up > 0 else "lower"] if up else []
    words += ["nasal" if across > 0 else "temporal"] if across else []
    return " ".join(words)


@dataclass(frozen=True, slots=True)
class BlockPosition:
    """Where the block sits. Both ways give the same lens; the machine decides which is wanted.

    On the optical centre the machine moves the shape by the decentration. On the boxed centre the block itself is moved
    off the dotted optical centre by (``out_mm``, ``down_mm``), temporally and downward positive. ``room_mm`` is the
    distance from that place to the nearest point of the finished edge: a block or pad of a larger radius is cut.
    """

    on: Literal["optical_centre", "boxed_centre"]
    out_mm: float
    down_mm: float
    room_mm: float


def block_positions(outline: Outline, *, in_mm: float, up_mm: float, eye: Eye) -> list[BlockPosition]:
    """``in_mm`` and ``up_mm`` place the optical centre from the boxed centre, nasally and upward positive."""
    return [
        BlockPosition("optical_centre", 0.0, 0.0, _room(outline, in_mm * eye.nasal_sign, up_mm)),
        BlockPosition("boxed_centre", in_mm + 0.0, up_mm + 0.0, _room(outline, 0.0, 0.0)),
    ]


def _room(outline: Outline, x: float, y: float) -> float:
    """Distance from a point to the edge; 0 outside the outline."""
    point, ring = shapely.Point(x, y), shapely.Polygon(outline.points_mm)
    return float(ring.exterior.distance(point)) if ring.contains(point) else 0.0


@dataclass(frozen=True, slots=True)
class Bevel:
    """A suggestion for the ridge of a rimmed lens.

    ``place`` is front (a fixed distance behind the front edge), share (``front_share`` of the edge before the apex), or
    base_curve (the ridge keeps the curve of the rim). ``curve_dpt`` is the curve the ridge then follows, at the tooling
    index; None where it follows neither surface. ``apex_mm`` is the distance of the apex from the front edge at the
    thinnest and at the thickest place.
    """

    place: Literal["front", "share", "base_curve"]
    front_share: float | None
    curve_dpt: float | None
    apex_mm: tuple[float, float]
    words: str
    basis: str
    confidence: str


@dataclass(frozen=True, slots=True)
class BevelRule:
    """The first rule whose thickest edge is not exceeded holds."""

    thickest_up_to_mm: float
    place: Literal["front", "share"]
    front_share: float | None
    front_mm: float | None
    words: str
    basis: str = _CUSTOM
    confidence: str = "low"


BEVEL_RULES: tuple[BevelRule, ...] = (
    BevelRule(2.5, "share", 0.5, None, "Thin edge: bevel in the middle."),
    BevelRule(6.0, "share", 1 / 3, None, "One third before the bevel, two thirds behind it."),
    BevelRule(math.inf, "front", None, 1.0, "Thick edge: bevel close behind the front, the thickness to the back."),
)
#: From this difference between the curve of the front and that of the rim the ridge should keep the curve of the rim.
CURVE_MISMATCH_DPT = 2.0


def front_curve_dpt(lens: MeniscusLens) -> float:
    """The front surface as a curve at the tooling index: 530 / radius in mm."""
    return lens.front_power_dpt * (TOOLING_INDEX - 1.0) / (lens.index - 1.0)


def bevel_for(profile: EdgeProfile, lens: MeniscusLens, *, rim_curve_dpt: float | None = None) -> Bevel:
    """A bevel for a rimmed lens from its edge, and from the curve of the rim where the trace states one."""
    thin, thick, curve = profile.thinnest_mm, profile.thickest_mm, front_curve_dpt(lens)
    if rim_curve_dpt is not None and abs(curve - rim_curve_dpt) > CURVE_MISMATCH_DPT:
        words = (
            f"The rim has a curve of {rim_curve_dpt:.1f}, the front of the lens {curve:.1f}: let the bevel keep the "
            "curve of the rim and stay within the edge, or set the rim to the lens."
        )
        return Bevel("base_curve", None, rim_curve_dpt, (thin / 2, thick / 2), words, _CUSTOM, "low")
    rule = next(rule for rule in BEVEL_RULES if thick <= rule.thickest_up_to_mm)
    if rule.front_mm is not None:
        apex = (min(rule.front_mm, thin / 2), min(rule.front_mm, thick / 2))
        return Bevel(rule.place, None, curve, apex, rule.words, rule.basis, rule.confidence)
    share = rule.front_share or 0.5
    return Bevel(rule.place, share, None, (thin * share, thick * share), rule.words, rule.basis, rule.confidence)


@dataclass(frozen=True, slots=True)
class EdgeNote:
    """A note for the bench. ``is_warning``: the lens as computed may not bear it."""

    key: str
    words: str
    basis: str
    confidence: str
    is_warning: bool = False


#: What mounts without a full rim ask of an edge (common practice, no source).
GROOVE_WIDTH_MM, GROOVE_DEPTH_MM = 0.6, 0.6
LEAST_EDGE_MM: dict[Mount, float] = {"full_rim": 1.0, "half_rim": 1.8, "rimless": 1.8}


def mount_notes(mount: Mount, points: Sequence[EdgePoint], profile: EdgeProfile, *, index: float) -> list[EdgeNote]:
    """What a full rim, a nylon cord or a rimless mount asks for, with a warning where the edge is too thin."""
    notes = []
    least = LEAST_EDGE_MM[mount]
    if profile.thinnest_mm < least - 1e-9:
        words = f"The thinnest edge is {profile.thinnest_mm:.1f} mm; for this mount at least {least:g} mm is usual."
        notes.append(EdgeNote("edge_too_thin", words, _CUSTOM, "low", is_warning=True))
    if mount == "half_rim":
        words = (
            f"Groove for the cord: about {GROOVE_WIDTH_MM:g} mm wide and {GROOVE_DEPTH_MM:g} mm deep, in the middle of "
            "a thin edge and nearer the front of a thick one, so that each wall keeps its strength; chamfer lightly."
        )
        notes.append(EdgeNote("groove", words, _CUSTOM, "low"))
    if mount == "rimless":
        at = {point.side: point.thickness_mm for point in points}
        words = (
            "Flat edge, no bevel. Take the holes from the demo lens, square to the front surface. Thickness on the "
            f"datum line: nasal {at['nasal']:.1f} mm, temporal {at['temporal']:.1f} mm. Chamfer the holes; the parts "
            "must not press on the lens."
        )
        notes.append(EdgeNote("drill", words, _CUSTOM, "medium"))
        if index < 1.52:
            words = (
                "Low-index resin cracks easily at drilled holes; a tougher material is usually taken for this mount."
            )
            notes.append(EdgeNote("drill_material", words, _CUSTOM, "medium", is_warning=True))
    words = "Take the sharp edges off front and back all round (safety bevel)."
    notes.append(EdgeNote("safety_bevel", words, _CUSTOM, "high"))
    return notes
