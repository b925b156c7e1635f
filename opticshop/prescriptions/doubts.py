"""What is accepted on a prescription but asked about again: told in the answer, blocking nothing."""

from __future__ import annotations

from collections.abc import Iterator

from .bounds import Doubt
from .measuring import VERTEX_DISTANCE
from .plausibility import POWERS, STEPS, VERTEX_DISTANCE_RULE, stated_powers
from .validity import LONGEST_TERM_MONTHS, months_after
from .written import WrittenPrescription


def doubts_about(written: WrittenPrescription) -> list[Doubt]:
    """What is accepted but unusual enough to ask about."""
    return [
        *_doubted_powers(written),
        *_doubted_pair(written),
        *_doubted_vertex_distance(written),
        *_doubted_expiry(written),
    ]


def _doubted_powers(written: WrittenPrescription) -> Iterator[Doubt]:
    for side, eye in written.eyes:
        for field, quantity, value in stated_powers(side, eye):
            bounds = POWERS[quantity]
            shown = f"{bounds.quantity} {value:+.2f}" if quantity != "prism_dpt" else f"prism {value:.2f}"
            if bounds.questions(value):
                yield Doubt(
                    "prescriptions.power_unusual",
                    field,
                    f"Are you sure? {shown.capitalize()} is unusual: {bounds.unquestioned} goes unquestioned.",
                )
            if int(abs(value) * 100) % 100 not in STEPS.usual_hundredths:
                yield Doubt(
                    "prescriptions.step_unusual",
                    field,
                    f"Are you sure? {shown.capitalize()} is not in {STEPS.words}.",
                )


def _doubted_pair(written: WrittenPrescription) -> Iterator[Doubt]:
    right, left = written.right, written.left
    if right.is_lens and left.is_lens and right.addition_dpt != left.addition_dpt:
        amounts = [f"{a:+.2f}" if a is not None else "none" for a in (right.addition_dpt, left.addition_dpt)]
        yield Doubt(
            "prescriptions.additions_differ",
            "left.addition_dpt",
            f"Are you sure? The additions differ: right {amounts[0]}, left {amounts[1]}.",
        )
    if right.cylinder_dpt * left.cylinder_dpt < 0:
        yield Doubt(
            "prescriptions.cylinder_signs_differ",
            "left.cylinder_dpt",
            "Are you sure? One eye is written in plus, the other in minus cylinder form.",
        )


def _doubted_vertex_distance(written: WrittenPrescription) -> Iterator[Doubt]:
    stated = written.vertex_distance_mm
    if stated is not None and VERTEX_DISTANCE.questions(stated):
        yield Doubt(
            "prescriptions.vertex_distance_unusual",
            "vertex_distance_mm",
            f"Are you sure? {stated} mm is exceptional: {VERTEX_DISTANCE.unquestioned} goes unquestioned.",
        )
    strong = [side for side, eye in written.eyes if eye.is_lens and VERTEX_DISTANCE_RULE.applies_to(eye)]
    if stated is None and strong:
        yield Doubt(
            "prescriptions.vertex_distance_missing",
            "vertex_distance_mm",
            f"The {' and the '.join(strong)} eye has {VERTEX_DISTANCE_RULE.from_dpt} D or more in a principal "
            "meridian; ask at which vertex distance it was tested.",
        )


def _doubted_expiry(written: WrittenPrescription) -> Iterator[Doubt]:
    longest = months_after(written.issued_on, LONGEST_TERM_MONTHS)
    if written.expires_on is not None and written.expires_on > longest:
        yield Doubt(
            "prescriptions.expiry_unusual",
            "expires_on",
            f"Are you sure? {written.expires_on} is later than the longest term known here ({longest}).",
        )
