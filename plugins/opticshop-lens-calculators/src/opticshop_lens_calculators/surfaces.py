"""Surfaces: sagitta and radius, and what a lens clock or a marked tool says in another material."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    TOOL_INDEX,
    clock_reading_dpt,
    radius_mm,
    sagitta_approximate_mm,
    sagitta_mm,
    surface_power_dpt,
    true_surface_power_dpt,
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
from .fields import index_field

TOPIC = "surfaces"
_SAGITTA = (
    "s = r - sqrt(r^2 - y^2), r = 1000 (n - 1)/F; D. Meister, Methods for estimating lens thickness (1997), "
    "https://ar.scribd.com/document/50679418/Lens-thickness"
)
_CLOCK = (
    "Reading x (n - 1)/(clock index - 1), through the radius; lens clock article, "
    "https://everything.explained.today/Lens_clock/"
)


def _clock_index() -> Any:
    return Quantity.number(
        "Index that the clock or tool is marked for; read it from the dial, 1.530 on most and 1.523 on some",
        ge=1.3,
        le=2.1,
        example=TOOL_INDEX,
        default=TOOL_INDEX,
    )


class SurfaceSagitta(Calculator[Any, Any]):
    """Depth of a surface over a chord, exact and by the parabola of the handbooks."""

    name = "surface-sagitta"
    title = "Sagitta of a surface"
    version = "1.0"
    topic = TOPIC
    source = _SAGITTA

    class Inputs(CalculatorInputs):
        surface_power_dpt: float = Quantity.dioptre("Surface power for the index given", ge=-40, le=40, example=6.0)
        index: float = index_field("Index for which the surface power is quoted")
        chord_mm: float = Quantity.mm("Chord, such as the lens diameter", ge=0, le=120, example=50.0)

    class Outputs(CalculatorOutputs):
        radius_mm: float | None = Quantity.mm("Radius of curvature, signed like the power; null for a plane")
        sagitta_mm: float = Quantity.mm("Exact sagitta, signed like the power")
        sagitta_approximate_mm: float = Quantity.mm("Sagitta of the parabola, always too small")

    worked_examples = (
        WorkedExample(
            inputs={"surface_power_dpt": 6, "index": 1.53, "chord_mm": 50},
            outputs={"radius_mm": 88.333333, "sagitta_mm": 3.611566, "sagitta_approximate_mm": 3.537736},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        power, half = inputs.surface_power_dpt, 0.5 * inputs.chord_mm
        outputs = self.Outputs(
            radius_mm=radius_mm(power, inputs.index) if power else None,
            sagitta_mm=sagitta_mm(power, half, inputs.index),
            sagitta_approximate_mm=sagitta_approximate_mm(power, half, inputs.index),
        )
        return CalculatorResult(outputs, ("A spherical surface.",))


class SurfacePowerOfRadius(Calculator[Any, Any]):
    """Power of a surface of known radius."""

    name = "surface-power-of-radius"
    title = "Surface power of a radius"
    version = "1.0"
    topic = TOPIC
    source = "F = 1000 (n - 1)/r; " + _SAGITTA

    class Inputs(CalculatorInputs):
        radius_mm: float = Quantity.mm("Radius, positive for a converging surface", ge=-10000, le=10000, example=83.0)
        index: float = index_field()

    class Outputs(CalculatorOutputs):
        surface_power_dpt: float = Quantity.dioptre("Surface power, signed like the radius")

    worked_examples = (
        WorkedExample(
            inputs={"radius_mm": 83, "index": 1.498},
            outputs={"surface_power_dpt": 6},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        power = surface_power_dpt(inputs.radius_mm, inputs.index)
        return CalculatorResult(self.Outputs(surface_power_dpt=power), ("A spherical surface in air.",))


class LensClock(Calculator[Any, Any]):
    """True power of a curve that a lens clock reads or a tool is marked with."""

    name = "lens-clock"
    title = "True power of a clock reading or marked curve"
    version = "1.0"
    topic = TOPIC
    source = _CLOCK

    class Inputs(CalculatorInputs):
        reading_dpt: float = Quantity.dioptre("Reading or marked curve", ge=-30, le=30, example=6.0)
        index: float = index_field()
        clock_index: float = _clock_index()

    class Outputs(CalculatorOutputs):
        surface_power_dpt: float = Quantity.dioptre("True surface power in the material")
        radius_mm: float | None = Quantity.mm("Radius of curvature, signed like the power; null for a plane")

    worked_examples = (
        WorkedExample(
            inputs={"reading_dpt": -10, "index": 1.7, "clock_index": 1.523},
            outputs={"surface_power_dpt": -13.4},
            source=(
                "Lens clock article (Wikipedia text at https://everything.explained.today/Lens_clock/): "
                "-3 and -7 D readings, n 1.7 -> -13.4 D total"
            ),
            tolerance=0.05,
        ),
        WorkedExample(
            inputs={"reading_dpt": 6, "index": 1.498},
            outputs={"surface_power_dpt": 5.637736, "radius_mm": 88.333333},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        power = true_surface_power_dpt(inputs.reading_dpt, inputs.index, inputs.clock_index)
        outputs = self.Outputs(surface_power_dpt=power, radius_mm=radius_mm(power, inputs.index) if power else None)
        return CalculatorResult(outputs, ("A spherical surface, clean of burrs under the clock's pins.",))


class LensClockReading(Calculator[Any, Any]):
    """What a lens clock should say, or a tool be marked, for a surface of known true power."""

    name = "lens-clock-reading"
    title = "Clock reading or marked curve of a true power"
    version = "1.0"
    topic = TOPIC
    source = _CLOCK

    class Inputs(CalculatorInputs):
        surface_power_dpt: float = Quantity.dioptre("True surface power in the material", ge=-40, le=40, example=5.0)
        index: float = index_field()
        clock_index: float = _clock_index()

    class Outputs(CalculatorOutputs):
        reading_dpt: float = Quantity.dioptre("Reading of the clock, or marked curve")

    worked_examples = (
        WorkedExample(
            inputs={"surface_power_dpt": 11.518868, "index": 1.74},
            outputs={"reading_dpt": 8.25},
            source=f"{COMPUTED} (the clock's formula read backwards)",
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        reading = clock_reading_dpt(inputs.surface_power_dpt, inputs.index, inputs.clock_index)
        return CalculatorResult(self.Outputs(reading_dpt=reading), ("A spherical surface.",))
