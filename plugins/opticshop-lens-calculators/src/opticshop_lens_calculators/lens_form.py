"""Thick-lens powers from the surfaces, and the surface that a wanted back vertex power needs."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    back_surface_power,
    back_vertex_power,
    equivalent_power,
    front_surface_power,
    front_vertex_power,
)
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    Quantity,
    WorkedExample,
)

from .cautions import COMPUTED
from .fields import front_power_field, index_field, thickness_field

TOPIC = "lens form"
_ARTICLE = (
    "OpticalEd study articles (B. McCardle, 2009), "
    "http://www.opticaled.com/articles/problem-solving/2009/11/back-vertex-power/"
)
_PARAXIAL = ("Paraxial, spherical surfaces, in air; surface powers are true powers in the lens's index.",)


class VertexPowers(Calculator[Any, Any]):
    """Back vertex, front vertex and equivalent power of a lens of known surfaces."""

    name = "vertex-powers"
    title = "Vertex powers from surfaces"
    version = "1.0"
    topic = TOPIC
    source = f"F'v = F1/(1 - (t/n) F1) + F2, Fv = F1 + F2/(1 - (t/n) F2), F = F1 + F2 - (t/n) F1 F2; {_ARTICLE}"

    class Inputs(CalculatorInputs):
        front_power_dpt: float = front_power_field(10.25)
        back_power_dpt: float = Quantity.dioptre(
            "True power of the back surface, negative for a concave one", ge=-40, le=30, example=-3.0
        )
        thickness_mm: float = thickness_field(example=4.0)
        index: float = index_field()

    class Outputs(CalculatorOutputs):
        back_vertex_power_dpt: float = Quantity.dioptre("Back vertex power")
        front_vertex_power_dpt: float = Quantity.dioptre("Front vertex (neutralising) power")
        equivalent_power_dpt: float = Quantity.dioptre("Equivalent power")

    worked_examples = (
        WorkedExample(
            inputs={"front_power_dpt": 10.25, "back_power_dpt": -3, "thickness_mm": 4, "index": 1.586},
            outputs={"back_vertex_power_dpt": 7.52},
            source=_ARTICLE,
        ),
        WorkedExample(
            inputs={"front_power_dpt": 15, "back_power_dpt": -6, "thickness_mm": 6.5, "index": 1.523},
            outputs={"back_vertex_power_dpt": 10.03},
            source=_ARTICLE,
        ),
        WorkedExample(
            inputs={"front_power_dpt": 2.5, "back_power_dpt": -8.5, "thickness_mm": 1.2, "index": 1.67},
            outputs={
                "back_vertex_power_dpt": -5.995501,
                "front_vertex_power_dpt": -5.948399,
                "equivalent_power_dpt": -5.984731,
            },
            source=f"{COMPUTED}, and by independent ray tracing",
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        lens = inputs.front_power_dpt, inputs.back_power_dpt, inputs.thickness_mm, inputs.index
        outputs = self.Outputs(
            back_vertex_power_dpt=back_vertex_power(*lens),
            front_vertex_power_dpt=front_vertex_power(*lens),
            equivalent_power_dpt=equivalent_power(*lens),
        )
        return CalculatorResult(outputs, _PARAXIAL)


class BackSurfaceForPower(Calculator[Any, Any]):
    """The back surface to work on a semi-finished front."""

    name = "back-surface-for-power"
    title = "Back surface for a wanted back vertex power"
    version = "1.0"
    topic = TOPIC
    source = f"F2 = F'v - F1/(1 - (t/n) F1); {_ARTICLE}"

    class Inputs(CalculatorInputs):
        front_power_dpt: float = front_power_field()
        back_vertex_power_dpt: float = Quantity.dioptre("Wanted back vertex power", ge=-40, le=40, example=-6.0)
        thickness_mm: float = thickness_field(example=1.5)
        index: float = index_field()

    class Outputs(CalculatorOutputs):
        back_power_dpt: float = Quantity.dioptre("Back surface power, negative for a concave surface")

    worked_examples = (
        WorkedExample(
            inputs={"front_power_dpt": 3, "back_vertex_power_dpt": -6, "thickness_mm": 1.5, "index": 1.6},
            outputs={"back_power_dpt": -9.008461},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        power = back_surface_power(
            inputs.front_power_dpt, inputs.back_vertex_power_dpt, inputs.thickness_mm, inputs.index
        )
        return CalculatorResult(self.Outputs(back_power_dpt=power), _PARAXIAL)


class FrontSurfaceForPower(Calculator[Any, Any]):
    """The front surface that a given back surface needs."""

    name = "front-surface-for-power"
    title = "Front surface for a wanted back vertex power"
    version = "1.0"
    topic = TOPIC
    source = f"F1 = D/(1 + (t/n) D) with D = F'v - F2, the inverse of the back vertex power; {_ARTICLE}"

    class Inputs(CalculatorInputs):
        back_power_dpt: float = Quantity.dioptre(
            "True power of the back surface, negative for a concave one", ge=-40, le=30, example=-6.0
        )
        back_vertex_power_dpt: float = Quantity.dioptre("Wanted back vertex power", ge=-40, le=40, example=-3.0)
        thickness_mm: float = thickness_field()
        index: float = index_field()

    class Outputs(CalculatorOutputs):
        front_power_dpt: float = Quantity.dioptre("Front surface power")

    worked_examples = (
        WorkedExample(
            inputs={"back_power_dpt": -3, "back_vertex_power_dpt": 7.52, "thickness_mm": 4, "index": 1.586},
            outputs={"front_power_dpt": 10.25},
            source=f"{_ARTICLE} (read backwards)",
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        power = front_surface_power(
            inputs.back_power_dpt, inputs.back_vertex_power_dpt, inputs.thickness_mm, inputs.index
        )
        return CalculatorResult(self.Outputs(front_power_dpt=power), _PARAXIAL)
