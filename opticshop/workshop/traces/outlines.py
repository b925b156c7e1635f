"""From a trace to its row and back. Points are kept to a micrometre, sizes to a hundredth of a millimetre."""

from __future__ import annotations

from typing import Any

import numpy as np

from opticshop.catalogue.models import Frame
from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline
from opticshop.tracing import FrameSizes, Measures, MirrorDifference, Missing, Shape, Trace, notes_of
from opticshop.tracing.comparing import EYE_NAMES, beside_each_other

from .models import FrameTrace

EYES = {name: eye for eye, name in EYE_NAMES.items()}


def frame_sizes(frame: Frame) -> FrameSizes:
    return FrameSizes(
        float(frame.box_width_mm),
        float(frame.box_height_mm),
        float(frame.bridge_mm),
        float(frame.effective_diameter_mm),
    )


def columns_of(trace: Trace, frame: Frame) -> dict[str, Any]:
    """The computed columns of a row."""
    return {
        "kind": trace.kind,
        "eyes": {name: _eye_row(trace, eye) for name, eye in EYES.items()},
        "dbl_mm": None if isinstance(trace.dbl_mm, Missing) or trace.dbl_mm <= 0 else round(trace.dbl_mm, 2),
        "mirror": mirror_row(beside_each_other(trace)),
        "warnings": [
            {
                "code": note.code,
                "detail": note.words,
                "eye": None if note.eye is None else EYE_NAMES[note.eye],
                "line": note.line,
            }
            for note in notes_of(trace, frame_sizes(frame))
        ],
    }


def mirror_row(mirror: MirrorDifference | None) -> dict[str, Any] | None:
    if mirror is None:
        return None
    return {
        "largest_mm": round(mirror.largest_mm, 3),
        "a_mm": round(mirror.a_mm, 3),
        "b_mm": round(mirror.b_mm, 3),
        "ed_mm": round(mirror.ed_mm, 3),
        "circumference_mm": round(mirror.circumference_mm, 3),
        "is_within": mirror.is_within,
    }


def trace_of(row: FrameTrace) -> Trace:
    """The trace as it was kept, for comparing; the mirror image of an eye that was not traced is left out."""
    shapes = {EYES[name]: shape_of(row, name) for name, eye in row.eyes.items() if not eye["is_mirrored"]}
    stated: dict[tuple[Eye, str], float | Missing] = {
        (EYES[name], size): Missing.UNKNOWN if value is None else value
        for name, eye in row.eyes.items()
        for size, value in eye["stated"].items()
    }
    return Trace(shapes, stated, Missing.NOT_GIVEN if row.dbl_mm is None else float(row.dbl_mm), row.kind)


def shape_of(row: FrameTrace, eye: str) -> Shape:
    kept = row.eyes[eye]
    return Shape(EYES[eye], Outline(np.array(kept["points_mm"], dtype=np.float64)), kept["is_mirrored"])


def stated_size(row: FrameTrace, eye: str, size: str) -> float | None:
    value = row.eyes[eye]["stated"].get(size)
    return None if value is None else float(value)


def _eye_row(trace: Trace, eye: Eye) -> dict[str, Any]:
    shape = trace.of(eye)
    sizes = Measures.of(shape.outline)
    return {
        "is_mirrored": shape.is_mirrored,
        "a_mm": round(sizes.a_mm, 2),
        "b_mm": round(sizes.b_mm, 2),
        "ed_mm": round(sizes.ed_mm, 2),
        "ed_axis_deg": round(sizes.ed_axis_deg, 1),
        "circumference_mm": round(sizes.circumference_mm, 2),
        "stated": {
            size: None if isinstance(value, Missing) else value
            for (side, size), value in trace.stated.items()
            if side is eye
        },
        "points_mm": np.round(shape.outline.points_mm, 3).tolist(),
    }
