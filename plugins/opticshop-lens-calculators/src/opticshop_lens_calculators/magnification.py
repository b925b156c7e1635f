"""How large the world looks through a lens, and how unlike through the two of a pair."""

from __future__ import annotations

from typing import Any

from opticshop.optics import PUPIL_BEHIND_VERTEX_MM, Magnification, size_difference_percent, spectacle_magnification
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    Quantity,
    WorkedExample,
)

from .cautions import IMAGE_SIZE
from .fields import front_power_field, index_field, part, thickness_field

TOPIC = "magnification"
_FLASHCARDS = (
    'Study flashcards "Spectacle mag", https://brainscape.com/flashcards/week-106-spectacle-mag-17752956/packs/22581192'
)
_PARAXIAL = "Paraxial, distant object; a toric lens magnifies each meridian by its own power."
_PUPIL = "h runs from the back vertex to the entrance pupil, the given distance behind the cornea."
_RIGHT = {
    "back_vertex_power_dpt": 4.0,
    "front_power_dpt": 8.0,
    "thickness_mm": 4.0,
    "index": 1.498,
    "vertex_mm": 12.0,
}
_LEFT = {
    "back_vertex_power_dpt": -3.0,
    "front_power_dpt": 4.0,
    "thickness_mm": 2.0,
    "index": 1.498,
    "vertex_mm": 12.0,
}


class MagnifyingIn(CalculatorInputs):
    """A lens as worn, in one meridian."""

    back_vertex_power_dpt: float = Quantity.dioptre("Back vertex power in the meridian", ge=-40, le=40, example=4.0)
    front_power_dpt: float = front_power_field(8.0)
    thickness_mm: float = thickness_field(example=4.0)
    index: float = index_field()
    vertex_mm: float = Quantity.mm("Vertex distance", ge=0, le=40, example=12.0)
    pupil_behind_vertex_mm: float = Quantity.mm(
        "From the cornea to the entrance pupil",
        ge=0,
        le=10,
        example=PUPIL_BEHIND_VERTEX_MM,
        default=PUPIL_BEHIND_VERTEX_MM,
    )

    @property
    def magnification(self) -> Magnification:
        return spectacle_magnification(
            self.front_power_dpt,
            self.back_vertex_power_dpt,
            self.thickness_mm,
            self.index,
            self.vertex_mm + self.pupil_behind_vertex_mm,
        )


class MagnificationOut(CalculatorOutputs):
    """The two factors and their product."""

    shape_factor: float = Quantity.number("Shape factor, 1/(1 - (t/n) F1)")
    power_factor: float = Quantity.number("Power factor, 1/(1 - h F'v)")
    magnification: float = Quantity.number("Spectacle magnification, their product")
    percent: float = Quantity.percent("How much larger things look; negative is smaller")

    @classmethod
    def figures_of(cls, found: Magnification) -> dict[str, float]:
        return {
            "shape_factor": found.shape,
            "power_factor": found.power,
            "magnification": found.total,
            "percent": found.percent,
        }


class SpectacleMagnification(Calculator[Any, Any]):
    """Shape factor times power factor."""

    name = "spectacle-magnification"
    title = "Spectacle magnification"
    version = "1.0"
    topic = TOPIC
    source = f"SM = 1/(1 - (t/n) F1) x 1/(1 - h F'v), h to the entrance pupil; {_FLASHCARDS}"

    class Inputs(MagnifyingIn):
        pass

    class Outputs(MagnificationOut):
        pass

    worked_examples = (
        WorkedExample(inputs=_RIGHT, outputs={"magnification": 1.087}, source=_FLASHCARDS, tolerance=0.0005),
        WorkedExample(inputs=_LEFT, outputs={"magnification": 0.962}, source=_FLASHCARDS, tolerance=0.0005),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        outputs = self.Outputs(**MagnificationOut.figures_of(inputs.magnification))
        return CalculatorResult(outputs, (_PARAXIAL, _PUPIL))


class ImageSizeDifference(Calculator[Any, Any]):
    """How much larger the right image is than the left through the lenses alone."""

    name = "image-size-difference"
    title = "Image size difference of a pair"
    version = "1.0"
    topic = TOPIC
    source = f"100 (SM right/SM left - 1), a hint of aniseikonia; {_FLASHCARDS}"

    class Inputs(CalculatorInputs):
        right: MagnifyingIn = part("Right lens", _RIGHT)
        left: MagnifyingIn = part("Left lens", _LEFT)

    class Outputs(CalculatorOutputs):
        right: MagnificationOut = part("Magnification of the right lens")
        left: MagnificationOut = part("Magnification of the left lens")
        difference_percent: float = Quantity.percent("How much larger the right image is; negative is smaller")

    worked_examples = (
        WorkedExample(
            inputs={"right": _RIGHT, "left": _LEFT},
            outputs={"difference_percent": 12.994},
            source=f"{_FLASHCARDS} (1.087 and 0.962: 100 (1.087/0.962 - 1) = 12.994)",
            tolerance=0.02,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        right, left = inputs.right.magnification, inputs.left.magnification
        outputs = self.Outputs(
            right=MagnificationOut(**MagnificationOut.figures_of(right)),
            left=MagnificationOut(**MagnificationOut.figures_of(left)),
            difference_percent=size_difference_percent(right.total, left.total),
        )
        return CalculatorResult(
            outputs, (_PARAXIAL, _PUPIL, "The eyes' own image sizes are not known here."), (IMAGE_SIZE,)
        )
