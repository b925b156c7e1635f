"""Weight of lenses: round in closed form, cut to a shape by integration."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    MeniscusLens,
    SpheroCylinder,
    round_volume_mm3,
    shaped_volume_mm3,
    weight_g,
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
from .fields import (
    EyeName,
    density_field,
    eye_field,
    eye_named,
    front_power_field,
    in_field,
    index_field,
    part,
    thickness_field,
    up_field,
)
from .lens_shapes import BOXED_SHAPE, OutlineIn
from .shapes import PowerIn

TOPIC = "thickness and weight"
_DENSITY = "Published densities of one material differ by about 0.02 g/cm³ between suppliers."


class RoundLensWeight(Calculator[Any, Any]):
    """A round lens with two spherical surfaces, from the volumes of its caps."""

    name = "round-lens-weight"
    title = "Weight of a round lens"
    version = "1.0"
    topic = TOPIC
    source = "V = pi Y^2 tc - I(front) + I(back), I = pi h (3 Y^2 - h^2)/6, the volume under a spherical cap"

    class Inputs(CalculatorInputs):
        back_vertex_power_dpt: float = Quantity.dioptre("Back vertex power, a sphere", ge=-40, le=40, example=-4.0)
        front_power_dpt: float = front_power_field(4.0)
        centre_thickness_mm: float = thickness_field()
        index: float = index_field()
        density_g_cm3: float = density_field()
        diameter_mm: float = Quantity.mm("Diameter", ge=10, le=120, example=65.0)

    class Outputs(CalculatorOutputs):
        weight_g: float = Quantity.gram("Weight")
        volume_mm3: float = Quantity.of("mm³", "Volume")

    worked_examples = (
        WorkedExample(
            inputs={
                "back_vertex_power_dpt": -4,
                "front_power_dpt": 4,
                "centre_thickness_mm": 2,
                "index": 1.498,
                "density_g_cm3": 1.32,
                "diameter_mm": 65,
            },
            outputs={"weight_g": 18.944845},
            source=COMPUTED,
            tolerance=0.0002,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        lens = MeniscusLens.of_back_vertex_power(
            SpheroCylinder(inputs.back_vertex_power_dpt),
            front_power_dpt=inputs.front_power_dpt,
            centre_thickness_mm=inputs.centre_thickness_mm,
            index=inputs.index,
        )
        volume = round_volume_mm3(
            lens.front_power_dpt,
            lens.back.sphere_dpt,
            lens.centre_thickness_mm,
            inputs.diameter_mm,
            lens.index,
        )
        outputs = self.Outputs(weight_g=weight_g(volume, inputs.density_g_cm3), volume_mm3=volume)
        return CalculatorResult(outputs, ("Two spherical surfaces; the optical centre lies in the middle.", _DENSITY))


class CutLensWeight(Calculator[Any, Any]):
    """A lens cut to its shape, its thickness integrated over the area."""

    name = "cut-lens-weight"
    title = "Weight of a lens cut to its shape"
    version = "1.0"
    topic = TOPIC
    source = "Integral of tc - s1 + s2 over the outline, times the density; computed from first principles"

    class Inputs(PowerIn):
        front_power_dpt: float = front_power_field()
        centre_thickness_mm: float = thickness_field(example=1.5)
        index: float = index_field()
        density_g_cm3: float = density_field()
        eye: EyeName = eye_field()
        outline: OutlineIn = part("The lens shape", BOXED_SHAPE)
        in_mm: float = in_field("Optical centre from the boxed centre")
        up_mm: float = up_field("Optical centre from the boxed centre", default=0.0)

    class Outputs(CalculatorOutputs):
        weight_g: float = Quantity.gram("Weight, without bevel, groove or holes")
        volume_mm3: float = Quantity.of("mm³", "Volume")
        area_mm2: float = Quantity.of("mm²", "Area of the shape, in the plane")

    worked_examples = (
        WorkedExample(
            inputs={
                "sphere_dpt": -7,
                "front_power_dpt": 2,
                "centre_thickness_mm": 1.2,
                "index": 1.67,
                "density_g_cm3": 1.36,
                "eye": "right",
                "outline": {"a_mm": 54, "b_mm": 40, "exponent": 4},
                "in_mm": 4,
                "up_mm": 1,
            },
            outputs={"weight_g": 8.484216},
            source=COMPUTED,
            tolerance=0.0005,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        outline = inputs.outline.outline
        lens = MeniscusLens.of_back_vertex_power(
            inputs.power,
            front_power_dpt=inputs.front_power_dpt,
            centre_thickness_mm=inputs.centre_thickness_mm,
            index=inputs.index,
        )
        volume = shaped_volume_mm3(
            lens,
            outline,
            centre_x_mm=inputs.in_mm * eye_named(inputs.eye).nasal_sign,
            centre_y_mm=inputs.up_mm,
        )
        outputs = self.Outputs(
            weight_g=weight_g(volume, inputs.density_g_cm3), volume_mm3=volume, area_mm2=outline.area_mm2
        )
        return CalculatorResult(outputs, (*inputs.outline.assumptions, _DENSITY))
