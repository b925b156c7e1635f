"""Prisms as arrows: combined, resolved into in, out, up and down, composed, and shared between the eyes."""

from __future__ import annotations

from typing import Any, Literal

from opticshop.optics import NO_PRISM, Prism, deviation_deg, prism_of_deviation, split_prism
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    Quantity,
    WorkedExample,
)

from .cautions import ARITHMETIC, COMPUTED, PRISM
from .fields import EyeName, choice, eye_field, eye_named, part
from .shapes import EyePrismOut

TOPIC = "prism"
_VECTORS = "Thin prisms add as vectors (P cos b, P sin b); computed from first principles"
_TANGENT = "P = 100 tan(deviation), the definition of the prism dioptre"

HorizontalBase = Literal["in", "out"]
VerticalBase = Literal["up", "down"]


class PolarPrismIn(CalculatorInputs):
    """A prism by magnitude and the direction of its base over the full circle."""

    prism_pdpt: float = Quantity.prism_dioptre("Magnitude", ge=0, le=50, example=3.0)
    base_deg: float = Quantity.degree("Base direction, 0 to 360", ge=0, le=360, example=20.0)


class PolarPrismOut(CalculatorOutputs):
    """A prism in both circle notations."""

    prism_pdpt: float = Quantity.prism_dioptre("Magnitude")
    base_deg: float | None = Quantity.degree("Base from 0 up to, not including, 360; null without prism")
    half_circle_base_deg: float | None = Quantity.degree("Base from 0 to 180 in the older notation")
    half_circle: VerticalBase | None = part("The half circle meant in the older notation")

    @classmethod
    def figures_of(cls, prism: Prism) -> dict[str, Any]:
        base, half = prism.half_circle() or (None, None)
        return {
            "prism_pdpt": prism.magnitude_pdpt,
            "base_deg": prism.base_deg,
            "half_circle_base_deg": base,
            "half_circle": half,
        }


class PrismsCombined(Calculator[Any, Any]):
    """Several prisms before one eye as one."""

    name = "prisms-combined"
    title = "Prisms of one lens combined"
    version = "1.0"
    topic = TOPIC
    source = _VECTORS

    class Inputs(CalculatorInputs):
        prisms: tuple[PolarPrismIn, ...] = part(
            "One to twelve prisms before the same eye",
            [{"prism_pdpt": 3.0, "base_deg": 20.0}, {"prism_pdpt": 2.0, "base_deg": 110.0}],
            min_length=1,
            max_length=12,
        )

    class Outputs(PolarPrismOut):
        x_pdpt: float = Quantity.prism_dioptre("Component with its base toward 0 degrees")
        y_pdpt: float = Quantity.prism_dioptre("Component with its base up")

    worked_examples = (
        WorkedExample(
            inputs={"prisms": [{"prism_pdpt": 3, "base_deg": 20}, {"prism_pdpt": 2, "base_deg": 110}]},
            outputs={"prism_pdpt": 3.605551, "base_deg": 53.690068},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        total = sum((Prism.from_polar(one.prism_pdpt, one.base_deg) for one in inputs.prisms), start=NO_PRISM)
        outputs = self.Outputs(**PolarPrismOut.figures_of(total), x_pdpt=total.x_pdpt, y_pdpt=total.y_pdpt)
        return CalculatorResult(outputs, ("Thin prisms; large ones add by their deviations.",), (PRISM,))


class PrismResolved(Calculator[Any, Any]):
    """A prism with an oblique base in the words in, out, up and down."""

    name = "prism-resolved"
    title = "Oblique prism resolved for an eye"
    version = "1.0"
    topic = TOPIC
    source = _VECTORS

    class Inputs(CalculatorInputs):
        eye: EyeName = eye_field()
        prism_pdpt: float = Quantity.prism_dioptre("Magnitude", ge=0, le=50, example=5.0)
        base_deg: float = Quantity.degree("Base direction", ge=0, le=360, example=150.0)
        half_circle: VerticalBase | None = choice(
            "For a base in the older notation of 0 to 180: the half circle meant; left out for 0 to 360",
            default=None,
        )

    class Outputs(PolarPrismOut):
        horizontal_pdpt: float = Quantity.prism_dioptre("Horizontal part, unsigned")
        horizontal_base: HorizontalBase | None = part("Base of the horizontal part; null where there is none")
        vertical_pdpt: float = Quantity.prism_dioptre("Vertical part, unsigned")
        vertical_base: VerticalBase | None = part("Base of the vertical part; null where there is none")

    worked_examples = (
        WorkedExample(
            inputs={"eye": "right", "prism_pdpt": 5, "base_deg": 150},
            outputs={
                "horizontal_pdpt": 4.330127,
                "horizontal_base": "out",
                "vertical_pdpt": 2.5,
                "vertical_base": "up",
            },
            source=COMPUTED,
            tolerance=1e-6,
        ),
        WorkedExample(
            inputs={"eye": "left", "prism_pdpt": 2.5, "base_deg": 150, "half_circle": "down"},
            outputs={"base_deg": 330, "horizontal_base": "out", "vertical_pdpt": 1.25, "vertical_base": "down"},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        if inputs.half_circle is None:
            prism = Prism.from_polar(inputs.prism_pdpt, inputs.base_deg)
        else:
            prism = Prism.from_half_circle(inputs.prism_pdpt, inputs.base_deg, inputs.half_circle)
        words = prism.resolved(eye_named(inputs.eye))
        outputs = self.Outputs(
            **PolarPrismOut.figures_of(prism),
            horizontal_pdpt=words.horizontal_pdpt,
            horizontal_base=words.horizontal_base,
            vertical_pdpt=words.vertical_pdpt,
            vertical_base=words.vertical_base,
        )
        return CalculatorResult(outputs, ("Nasal is 0 degrees for the right eye and 180 for the left.",), (PRISM,))


class PrismComposed(Calculator[Any, Any]):
    """A horizontal and a vertical prism of one eye as a single oblique one."""

    name = "prism-composed"
    title = "Horizontal and vertical prism composed"
    version = "1.0"
    topic = TOPIC
    source = _VECTORS

    class Inputs(CalculatorInputs):
        eye: EyeName = eye_field()
        horizontal_pdpt: float = Quantity.prism_dioptre("Horizontal prism", ge=0, le=50, example=3.0)
        horizontal_base: HorizontalBase = choice("Base of the horizontal prism", "in")
        vertical_pdpt: float = Quantity.prism_dioptre("Vertical prism", ge=0, le=50, example=4.0)
        vertical_base: VerticalBase = choice("Base of the vertical prism", "up")

    class Outputs(PolarPrismOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={
                "eye": "left",
                "horizontal_pdpt": 3,
                "horizontal_base": "in",
                "vertical_pdpt": 4,
                "vertical_base": "up",
            },
            outputs={"prism_pdpt": 5, "base_deg": 126.869898},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        prism = Prism.for_eye(
            eye_named(inputs.eye),
            base_in_pdpt=inputs.horizontal_pdpt * (1 if inputs.horizontal_base == "in" else -1),
            base_up_pdpt=inputs.vertical_pdpt * (1 if inputs.vertical_base == "up" else -1),
        )
        outputs = self.Outputs(**PolarPrismOut.figures_of(prism))
        return CalculatorResult(outputs, ("Nasal is 0 degrees for the right eye and 180 for the left.",), (PRISM,))


class PrismShared(Calculator[Any, Any]):
    """A prism prescribed for the pair, shared between the two lenses."""

    name = "prism-shared"
    title = "Prism shared between the eyes"
    version = "1.0"
    topic = TOPIC
    source = (
        "Horizontal prism of the same base adds, vertical prism of opposite bases adds (the definition of relative "
        "prism); computed from first principles"
    )

    class Inputs(CalculatorInputs):
        base_in_pdpt: float = Quantity.prism_dioptre(
            "Base in of the pair; negative is base out", ge=-40, le=40, example=6.0
        )
        right_up_pdpt: float = Quantity.prism_dioptre(
            "Vertical prism of the pair as base up before the right eye; negative is base up before the left",
            ge=-40,
            le=40,
            example=2.0,
            default=0.0,
        )
        right_share: float = Quantity.number("The part carried by the right lens", ge=0, le=1, example=0.5, default=0.5)

    class Outputs(CalculatorOutputs):
        right: EyePrismOut = part("Prism of the right lens")
        left: EyePrismOut = part("Prism of the left lens")

    worked_examples = (
        WorkedExample(
            inputs={"base_in_pdpt": 2.4, "right_up_pdpt": -0.8},
            outputs={
                "right": {"base_in_pdpt": 1.2, "base_up_pdpt": -0.4},
                "left": {"base_in_pdpt": 1.2, "base_up_pdpt": 0.4},
            },
            source=f"{ARITHMETIC} (the relative prism of two lenses read backwards)",
            tolerance=1e-9,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        right, left = split_prism(inputs.base_in_pdpt, inputs.right_up_pdpt, right_share=inputs.right_share)
        outputs = self.Outputs(right=EyePrismOut.of(right, "right"), left=EyePrismOut.of(left, "left"))
        return CalculatorResult(outputs, ("The relative prism stays that of the prescription.",), (PRISM,))


class PrismDeviation(Calculator[Any, Any]):
    """The angle by which a prism turns a ray."""

    name = "prism-deviation"
    title = "Deviation of a prism"
    version = "1.0"
    topic = TOPIC
    source = _TANGENT

    class Inputs(CalculatorInputs):
        prism_pdpt: float = Quantity.prism_dioptre("Prism", ge=0, le=100, example=10.0)

    class Outputs(CalculatorOutputs):
        deviation_deg: float = Quantity.degree("Deviation")

    worked_examples = (
        WorkedExample(
            inputs={"prism_pdpt": 10}, outputs={"deviation_deg": 5.710593}, source=ARITHMETIC, tolerance=1e-6
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        return CalculatorResult(self.Outputs(deviation_deg=deviation_deg(inputs.prism_pdpt)))


class PrismOfDeviation(Calculator[Any, Any]):
    """The prism that turns a ray by an angle."""

    name = "prism-of-deviation"
    title = "Prism of a deviation"
    version = "1.0"
    topic = TOPIC
    source = _TANGENT

    class Inputs(CalculatorInputs):
        deviation_deg: float = Quantity.degree("Deviation", ge=0, le=45, example=5.0)

    class Outputs(CalculatorOutputs):
        prism_pdpt: float = Quantity.prism_dioptre("Prism")

    worked_examples = (
        WorkedExample(
            inputs={"deviation_deg": 11.309932}, outputs={"prism_pdpt": 20}, source=ARITHMETIC, tolerance=1e-5
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        return CalculatorResult(self.Outputs(prism_pdpt=prism_of_deviation(inputs.deviation_deg)))
