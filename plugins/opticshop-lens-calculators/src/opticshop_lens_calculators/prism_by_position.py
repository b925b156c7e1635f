"""Prentice's rule with the full power matrix: prism from position, and the position for a prism."""

from __future__ import annotations

from typing import Any

import numpy as np

from opticshop.optics import prentice_toric, prism_polar, toric_decentration
from opticshop.plugin_api import CalculatorOutputs, CalculatorResult, CalculatorWarning, Quantity, WorkedExample

from .arrays import ArrayCalculator
from .cautions import COMPUTED, PRISM, warning
from .fields import EyeName, eye_field, eye_named, in_field, up_field
from .shapes import POWER_COLUMNS, EyePrismOut, PowerIn

TOPIC = "prism"

_MATRIX = (
    "p = -F r with the power matrix; Long, A matrix formalism for decentration problems, "
    "Am J Optom Physiol Opt 1976;53:27-33"
)
_ANSWERS_13 = "NFOS opticianry course, module 13 answers, http://www.nfos.org/degree/opt11/answers_13a.html"
_THIN = "Thin lens, small angles, distant object: real rays differ by 1 to 4 % at 10 to 15 mm."
_FAR_MM = 15.0
"""The farthest point at which the rule was compared with real rays (4 % there)."""


class _AtEye(PowerIn):
    """A power worn before one eye."""

    eye: EyeName = eye_field()

    @property
    def nasal_sign(self) -> float:
        return eye_named(self.eye).nasal_sign


def _warnings(distance_squared: float) -> tuple[CalculatorWarning, ...]:
    if distance_squared <= _FAR_MM * _FAR_MM:
        return (PRISM,)
    return PRISM, warning("far_from_optical_centre", "So far from the optical centre the rule is only approximate.")


class PrismAtPoint(ArrayCalculator[Any, Any]):
    """The prism met when looking through a point of a lens, given from its optical centre."""

    name = "prism-at-point"
    title = "Prism at a point of a lens"
    version = "1.0"
    topic = TOPIC
    source = _MATRIX
    columns = (*POWER_COLUMNS, "x_mm", "y_mm")

    class Inputs(_AtEye):
        x_mm: float = Quantity.mm(
            "Viewing point from the optical centre, positive to the right as seen by the examiner",
            ge=-50,
            le=50,
            example=4.0,
        )
        y_mm: float = Quantity.mm("Viewing point from the optical centre, up positive", ge=-50, le=50, example=-8.0)

    class Outputs(EyePrismOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 8.5, "eye": "right", "x_mm": 0, "y_mm": -2},
            outputs={"prism_pdpt": 1.7, "base_deg": 90, "base_up_pdpt": 1.7},
            source=_ANSWERS_13,
        ),
        WorkedExample(
            inputs={"sphere_dpt": 5, "cylinder_dpt": -1.5, "axis_deg": 90, "eye": "left", "x_mm": 0, "y_mm": -8},
            outputs={"prism_pdpt": 4.0, "base_deg": 90, "base_up_pdpt": 4.0},
            source=_ANSWERS_13,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any, x: Any, y: Any) -> tuple[Any, ...]:
        across, up = prentice_toric(sphere, cylinder, axis, x, y)
        return *prism_polar(across, up), across, up

    def result(
        self, inputs: Inputs, magnitude: float, base: float, across: float, up: float
    ) -> CalculatorResult[Outputs]:
        outputs = self.Outputs.of_figures(magnitude, base, across, up, inputs.nasal_sign)
        return CalculatorResult(outputs, (_THIN,), _warnings(inputs.x_mm * inputs.x_mm + inputs.y_mm * inputs.y_mm))


class PrismByDecentration(ArrayCalculator[Any, Any]):
    """The prism that a lens makes when its optical centre is moved away from the pupil."""

    name = "prism-by-decentration"
    title = "Prism by decentration"
    version = "1.0"
    topic = TOPIC
    source = _MATRIX
    columns = (*POWER_COLUMNS, "nasal_sign", "in_mm", "up_mm")

    class Inputs(_AtEye):
        in_mm: float = in_field("Optical centre from the pupil", example=-2.0)
        up_mm: float = up_field("Optical centre from the pupil", example=0.0, default=0.0)

    class Outputs(EyePrismOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": -3.25, "eye": "left", "in_mm": -5},
            outputs={"prism_pdpt": 1.6, "base_in_pdpt": 1.6, "base_up_pdpt": 0},
            source=f"{_ANSWERS_13} (-3.25 D, 5 mm out: 1.6 base in)",
            tolerance=0.05,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any, nasal: Any, inward: Any, up: Any) -> tuple[Any, ...]:
        x, y = prentice_toric(sphere, cylinder, axis, -nasal * inward, -up)
        return *prism_polar(x, y), x, y

    def result(self, inputs: Inputs, magnitude: float, base: float, x: float, y: float) -> CalculatorResult[Outputs]:
        outputs = self.Outputs.of_figures(magnitude, base, x, y, inputs.nasal_sign)
        return CalculatorResult(outputs, (_THIN,), _warnings(inputs.in_mm * inputs.in_mm + inputs.up_mm * inputs.up_mm))


class DecentrationForPrism(ArrayCalculator[Any, Any]):
    """Where the optical centre goes so that a finished lens makes a prescribed prism."""

    name = "decentration-for-prism"
    title = "Decentration for a wanted prism"
    version = "1.0"
    topic = TOPIC
    source = f"c = F^-1 p, the inverse of Prentice's rule: {_MATRIX}"
    columns = (*POWER_COLUMNS, "nasal_sign", "base_in_pdpt", "base_up_pdpt")

    class Inputs(_AtEye):
        base_in_pdpt: float = Quantity.prism_dioptre("Wanted base in; negative is base out", ge=-20, le=20, example=1.0)
        base_up_pdpt: float = Quantity.prism_dioptre(
            "Wanted base up; negative is base down", ge=-20, le=20, example=0.5, default=0.0
        )

    class Outputs(CalculatorOutputs):
        in_mm: float = Quantity.mm("Optical centre from the pupil, nasal positive")
        up_mm: float = Quantity.mm("Optical centre from the pupil, up positive")
        distance_mm: float = Quantity.mm("How far the optical centre moves")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": -15, "eye": "right", "base_in_pdpt": 3},
            outputs={"distance_mm": 2, "in_mm": -2, "up_mm": 0},
            source="OD exam question, https://www.odquestions.com/help/demo/1?q=1 (-15.00 D, 3 prism dioptres: 2 mm)",
        ),
        WorkedExample(
            inputs={
                "sphere_dpt": -3,
                "cylinder_dpt": -2,
                "axis_deg": 30,
                "eye": "right",
                "base_in_pdpt": 2.09282,
                "base_up_pdpt": -3.94641,
            },
            outputs={"in_mm": -4, "up_mm": 8},
            source=f"{COMPUTED} (Prentice's rule read backwards)",
            tolerance=1e-4,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any, nasal: Any, inward: Any, up: Any) -> tuple[Any, ...]:
        x, y = toric_decentration(sphere, cylinder, axis, nasal * inward, up)
        return nasal * x, y, np.hypot(x, y)

    def result(self, inputs: Inputs, inward: float, up: float, distance: float) -> CalculatorResult[Outputs]:
        outputs = self.Outputs(in_mm=inward + 0.0, up_mm=up + 0.0, distance_mm=distance)
        return CalculatorResult(outputs, (_THIN,), _warnings(distance * distance))
