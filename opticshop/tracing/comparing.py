"""A trace beside what the file states, what the frame is said to measure, and the other eye. Limits are data."""

from __future__ import annotations

from dataclasses import dataclass

import shapely

from opticshop.optics.eyes import Eye

from .records import Missing
from .shapes import Note, Shape, Trace

EYE_NAMES = {Eye.RIGHT: "right", Eye.LEFT: "left"}


@dataclass(frozen=True, slots=True)
class Limit:
    """From which difference on something is worth a warning; nothing is refused by it."""

    key: str
    limit_mm: float
    basis: str
    confidence: str


_OWN = "own choice: what two decimals and the spacing of trace points leave; no source"
_BOXED = "ISO 12870 allows 0.5 mm on boxed lens size and distance between lenses; from memory"
LIMITS = {
    limit.key: limit
    for limit in (
        Limit("stated_size", 0.2, _OWN, "low"),
        Limit("stated_circumference", 0.5, _OWN, "low"),
        Limit("frame_size", 0.5, _BOXED, "medium"),
        Limit("frame_dbl", 0.5, _BOXED, "medium"),
        Limit("frame_ed", 1.0, "own choice: twice the limit of the boxed size; no source", "low"),
        Limit("mirror_shape", 0.5, "own choice: about the play of a bevel in a groove; no source", "low"),
        Limit("mirror_circumference", 0.6, "own choice; no source", "low"),
    )
}
_SAID = {"a_mm": "A", "b_mm": "B", "ed_mm": "ED", "dbl_mm": "DBL", "circumference_mm": "circumference"}


@dataclass(frozen=True, slots=True)
class FrameSizes:
    """Boxed sizes the frame is said to have (ISO 8624), mm."""

    a_mm: float
    b_mm: float
    dbl_mm: float
    ed_mm: float


@dataclass(frozen=True, slots=True)
class Difference:
    """One size beside another. ``difference_mm`` is traced minus expected; ``eye`` is None for the bridge."""

    beside: str
    parameter: str
    eye: Eye | None
    expected_mm: float
    traced_mm: float
    limit: Limit

    @property
    def difference_mm(self) -> float:
        return self.traced_mm - self.expected_mm

    @property
    def is_within(self) -> bool:
        return abs(self.difference_mm) <= self.limit.limit_mm + 1e-9


_BESIDE = {"file": "stated in the file", "frame": "stated for the frame"}


@dataclass(frozen=True, slots=True)
class MirrorDifference:
    """Right and mirrored left, boxed centres laid on each other; ``largest_mm`` is the greatest distance between."""

    largest_mm: float
    a_mm: float
    b_mm: float
    ed_mm: float
    circumference_mm: float

    @property
    def is_within(self) -> bool:
        by_shape = self.largest_mm <= LIMITS["mirror_shape"].limit_mm
        return by_shape and abs(self.circumference_mm) <= LIMITS["mirror_circumference"].limit_mm


def beside_file(trace: Trace) -> list[Difference]:
    """What the file states of itself. Both values are kept; none is corrected."""
    found = []
    for eye, shape in trace.shapes.items():
        measured = shape.measures
        for name in ("a_mm", "b_mm", "ed_mm", "circumference_mm"):
            stated = trace.stated.get((eye, name), Missing.NOT_GIVEN)
            if isinstance(stated, Missing):
                continue
            limit = LIMITS["stated_circumference" if name == "circumference_mm" else "stated_size"]
            found.append(Difference("file", name, eye, stated, getattr(measured, name), limit))
    return found


def beside_frame(trace: Trace, frame: FrameSizes) -> list[Difference]:
    """What the catalogue says of the frame; the bridge only where the file states one, as a trace does not show it."""
    found = []
    for eye, shape in trace.shapes.items():
        measured = shape.measures
        found += [
            Difference("frame", "a_mm", eye, frame.a_mm, measured.a_mm, LIMITS["frame_size"]),
            Difference("frame", "b_mm", eye, frame.b_mm, measured.b_mm, LIMITS["frame_size"]),
            Difference("frame", "ed_mm", eye, frame.ed_mm, measured.ed_mm, LIMITS["frame_ed"]),
        ]
    if not isinstance(trace.dbl_mm, Missing):
        found.append(Difference("frame", "dbl_mm", None, frame.dbl_mm, trace.dbl_mm, LIMITS["frame_dbl"]))
    return found


def beside_each_other(trace: Trace) -> MirrorDifference | None:
    """None unless both eyes were traced."""
    if len(trace.shapes) < 2:
        return None
    return mirror_difference(trace.shapes[Eye.RIGHT], trace.shapes[Eye.LEFT])


def mirror_difference(right: Shape, left: Shape) -> MirrorDifference:
    """Signed sizes are right minus left."""
    one, other = right.measures, left.measures
    rings = (shapely.LinearRing(right.outline.points_mm), shapely.LinearRing(left.outline.mirrored().points_mm))
    return MirrorDifference(
        largest_mm=float(shapely.hausdorff_distance(*rings)),
        a_mm=one.a_mm - other.a_mm,
        b_mm=one.b_mm - other.b_mm,
        ed_mm=one.ed_mm - other.ed_mm,
        circumference_mm=one.circumference_mm - other.circumference_mm,
    )


def notes_of(trace: Trace, frame: FrameSizes | None = None) -> tuple[Note, ...]:
    """Everything to look at: notes of the reading, sizes that differ, eyes that are no mirror images, a missing eye."""
    notes = list(trace.notes)
    found = [*beside_file(trace), *(beside_frame(trace, frame) if frame else ())]
    for beside, eye in dict.fromkeys((each.beside, each.eye) for each in found if not each.is_within):
        apart = [each for each in found if (each.beside, each.eye) == (beside, eye) and not each.is_within]
        who = f"{EYE_NAMES[eye].capitalize()} lens" if eye is not None else "Bridge"
        traced = ", ".join(f"{_SAID[each.parameter]} {each.traced_mm:.2f}" for each in apart)
        expected = ", ".join(f"{each.expected_mm:.2f}" for each in apart)
        words = f"{who} traced: {traced} mm; {_BESIDE[beside]}: {expected}."
        notes.append(Note(f"differs_from_{beside}", words, eye))
    mirror = beside_each_other(trace)
    if mirror is None:
        [eye] = trace.shapes
        words = f"Only the {EYE_NAMES[eye]} eye was traced; the {EYE_NAMES[eye.other]} one is its mirror image."
        notes.append(Note("other_eye_mirrored", words, eye.other))
    elif not mirror.is_within:
        words = (
            f"The right and the left shape are no mirror images: up to {mirror.largest_mm:.2f} mm apart, circumference "
            f"{mirror.circumference_mm:+.2f} mm."
        )
        notes.append(Note("eyes_differ", words))
    return tuple(notes)
