"""The power that does the same work at another distance from the eye."""

from __future__ import annotations

from typing import Any

from opticshop.optics import effective_sphero_cylinder, to_minus_cylinder
from opticshop.plugin_api import CalculatorResult, Quantity, WorkedExample

from .arrays import ArrayCalculator
from .cautions import COMPUTED, POWER_CHANGED
from .fields import CylinderForm, cylinder_form_field
from .shapes import POWER_COLUMNS, PowerIn, PowerOut


class VertexCompensation(ArrayCalculator[Any, Any]):
    """Exact for torics: both principal powers move, the axis stays."""

    name = "vertex-compensation"
    title = "Vertex distance compensation"
    version = "1.0"
    topic = "power"
    source = (
        "Effectivity F' = F/(1 - d F) on both principal powers, d the move toward the eye; study flashcards "
        '"Spectacle mag", https://brainscape.com/flashcards/week-106-spectacle-mag-17752956/packs/22581192'
    )
    columns = (*POWER_COLUMNS, "from_mm", "to_mm")

    class Inputs(PowerIn):
        from_mm: float = Quantity.mm("Vertex distance at which the power is known", ge=0, le=50, example=12.0)
        to_mm: float = Quantity.mm("Vertex distance at which the lens will sit; 0 on the eye", ge=0, le=50, example=0.0)
        cylinder_form: CylinderForm = cylinder_form_field()

    class Outputs(PowerOut):
        largest_change_dpt: float = Quantity.dioptre("The greater change of the two principal powers, unsigned")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": -12, "from_mm": 10, "to_mm": 14},
            outputs={"sphere_dpt": -12.61, "cylinder_dpt": 0},
            source=(
                'Study flashcards "Spectacle mag", '
                "https://brainscape.com/flashcards/week-106-spectacle-mag-17752956/packs/22581192"
            ),
        ),
        WorkedExample(
            inputs={"sphere_dpt": 6, "cylinder_dpt": 2, "axis_deg": 90, "from_mm": 12, "to_mm": 9},
            outputs={"sphere_dpt": 8.196721, "cylinder_dpt": -2.086742, "axis_deg": 180},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any, start: Any, end: Any) -> tuple[Any, ...]:
        along, added, axis = effective_sphero_cylinder(sphere, cylinder, axis, start, end)
        changes = abs(along - sphere), abs(along + added - sphere - cylinder)
        return (*to_minus_cylinder(along, added, axis), *changes)

    def result(
        self, inputs: Inputs, sphere: float, cylinder: float, axis: float, along: float, across: float
    ) -> CalculatorResult[Outputs]:
        power = PowerOut.of((sphere, cylinder, axis), inputs.cylinder_form)
        outputs = self.Outputs(
            sphere_dpt=power.sphere_dpt,
            cylinder_dpt=power.cylinder_dpt,
            axis_deg=power.axis_deg,
            largest_change_dpt=max(along, across),
        )
        return CalculatorResult(
            outputs,
            ("Distance vision; the lens is thin or both distances are to its back vertex.",),
            (POWER_CHANGED,) if outputs.largest_change_dpt else (),
        )
