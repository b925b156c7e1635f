"""Which powers can stand on a prescription, as tables: bounds per quantity, steps, and the vertex distance rule."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal as D

from .bounds import Bounds, Confidence
from .written import WrittenEye

#: quantity -> what is usual, asked about and refused. The limits have no source: they are where a slip begins.
POWERS: dict[str, Bounds] = {
    "sphere_dpt": Bounds(
        quantity="sphere",
        unit="D",
        usual="-20 to 20",
        question_below=D(-20),
        question_above=D(20),
        reject_below=D(-40),
        reject_above=D(40),
    ),
    "cylinder_dpt": Bounds(
        quantity="cylinder",
        unit="D",
        usual="-6 to 6",
        question_below=D(-6),
        question_above=D(6),
        reject_below=D(-15),
        reject_above=D(15),
    ),
    "addition_dpt": Bounds(
        quantity="addition",
        unit="D",
        usual="0.75 to 3.50",
        question_below=D("0.25"),
        question_above=D("4.00"),
        reject_below=D("0.01"),
        reject_above=D(10),
        source="trade convention, from memory",
        confidence=Confidence.HIGH,
    ),
    "prism_dpt": Bounds(
        quantity="prism",
        unit="prism dioptres",
        usual="up to 10",
        question_above=D(10),
        reject_below=D("0.01"),
        reject_above=D(40),
    ),
}


@dataclass(frozen=True, slots=True)
class Steps:
    """The hundredths in which powers are written, per whole dioptre."""

    grid_dpt: D
    usual_hundredths: frozenset[int]
    words: str
    source: str
    confidence: Confidence


#: An eighth is written cut (0.12, 0.37, 0.62, 0.87) or rounded (0.13, 0.38, 0.63, 0.88).
STEPS = Steps(
    grid_dpt=D("0.01"),
    usual_hundredths=frozenset({0, 25, 50, 75, 12, 13, 37, 38, 62, 63, 87, 88}),
    words="steps of 0.25, occasionally 0.12",
    source="trade convention, from memory",
    confidence=Confidence.HIGH,
)


@dataclass(frozen=True, slots=True)
class VertexDistanceRule:
    """From which power in any principal meridian the vertex distance belongs on the prescription."""

    from_dpt: D
    boundary_included: bool
    source: str
    confidence: Confidence

    def applies_to(self, eye: WrittenEye) -> bool:
        strongest = eye.strongest_dpt
        return strongest > self.from_dpt or (self.boundary_included and strongest == self.from_dpt)


#: Texts differ on whether 5.00 itself is included; the cautious reading is kept here as data.
VERTEX_DISTANCE_RULE = VertexDistanceRule(
    from_dpt=D("5.00"),
    boundary_included=True,
    source="Sight Testing (Examination and Prescription) (No. 2) Regulations 1989; BS 2738-3; from memory",
    confidence=Confidence.MEDIUM,
)


def stated_powers(side: str, eye: WrittenEye) -> Iterator[tuple[str, str, D]]:
    """(field, quantity, value) of every power that is stated for an eye; a zero cylinder is none."""
    if eye.sphere_dpt is not None:
        yield f"{side}.sphere_dpt", "sphere_dpt", eye.sphere_dpt
    if eye.cylinder_dpt:
        yield f"{side}.cylinder_dpt", "cylinder_dpt", eye.cylinder_dpt
    if eye.addition_dpt is not None:
        yield f"{side}.addition_dpt", "addition_dpt", eye.addition_dpt
    for index, prism in enumerate(eye.prisms):
        yield f"{side}.prism.{index}.amount_dpt", "prism_dpt", prism.amount_dpt
