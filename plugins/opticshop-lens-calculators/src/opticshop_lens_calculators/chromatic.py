"""Colour fringes away from the optical centre."""

from __future__ import annotations

from typing import Any

from opticshop.optics import AWARENESS_PDPT, longitudinal_chromatic_dpt, prism_at, transverse_chromatic_pdpt
from opticshop.plugin_api import Calculator, CalculatorOutputs, CalculatorResult, Quantity, WorkedExample

from .cautions import COMPUTED, warning
from .fields import abbe_field
from .shapes import PowerIn

_GUIDE = (
    "ABO advanced study guide, "
    "https://open-exam-prep.com/study-guides/abo-advanced/optics-ii/aberrations-polarization-absorptive"
)


class ChromaticAberration(Calculator[Any, Any]):
    """Transverse and longitudinal chromatic aberration of a lens at a viewing point."""

    name = "chromatic-aberration"
    title = "Chromatic aberration at a viewing point"
    version = "1.0"
    topic = "aberrations"
    source = f"TCA = P/V with P from the full power matrix, LCA = F/V; {_GUIDE}"

    class Inputs(PowerIn):
        x_mm: float = Quantity.mm(
            "Viewing point from the optical centre, positive to the right as seen by the examiner",
            ge=-50,
            le=50,
            example=10.0,
        )
        y_mm: float = Quantity.mm(
            "Viewing point from the optical centre, up positive", ge=-50, le=50, example=0.0, default=0.0
        )
        abbe: float = abbe_field()
        awareness_pdpt: float = Quantity.prism_dioptre(
            "From where people usually notice fringes (common practice)",
            ge=0,
            le=2,
            example=AWARENESS_PDPT,
            default=AWARENESS_PDPT,
        )

    class Outputs(CalculatorOutputs):
        prism_pdpt: float = Quantity.prism_dioptre("Prism at the viewing point")
        transverse_pdpt: float = Quantity.prism_dioptre("Transverse chromatic aberration")
        longitudinal_along_dpt: float = Quantity.dioptre("Longitudinal chromatic aberration along the axis meridian")
        longitudinal_across_dpt: float = Quantity.dioptre("The same at right angles to it")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 5, "x_mm": 10, "abbe": 30},
            outputs={"prism_pdpt": 5, "transverse_pdpt": 0.17},
            source=f"{_GUIDE} (0.17)",
        ),
        WorkedExample(
            inputs={"sphere_dpt": -6, "x_mm": 0, "y_mm": -12, "abbe": 32},
            outputs={"prism_pdpt": 7.2, "transverse_pdpt": 0.225, "longitudinal_along_dpt": -0.1875},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        prism = prism_at(inputs.power, inputs.x_mm, inputs.y_mm).magnitude_pdpt
        along, across = inputs.power.principal_powers_dpt
        outputs = self.Outputs(
            prism_pdpt=prism,
            transverse_pdpt=transverse_chromatic_pdpt(prism, inputs.abbe),
            longitudinal_along_dpt=longitudinal_chromatic_dpt(along, inputs.abbe),
            longitudinal_across_dpt=longitudinal_chromatic_dpt(across, inputs.abbe),
        )
        noticed = outputs.transverse_pdpt >= inputs.awareness_pdpt and outputs.transverse_pdpt > 0
        message = "Colour fringes are usually noticed at this point."
        return CalculatorResult(
            outputs,
            ("Thin lens; index and Abbe number belong to the same spectral line.",),
            (warning("fringes_usually_noticed", message),) if noticed else (),
        )
