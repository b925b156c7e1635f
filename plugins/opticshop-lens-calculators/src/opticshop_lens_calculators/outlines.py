"""What is measured on a lens shape, and whether a blank holds it."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    Blank,
    Decentration,
    WarningCode,
    cut_out_for_eye,
    minimum_blank_mm,
    prism_of_decentration,
    smallest_enclosing_circle,
)
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    Quantity,
    WorkedExample,
)

from .cautions import ARITHMETIC, COMPUTED, PRISM, warning
from .fields import EyeName, choice, eye_field, eye_named, in_field, part, up_field
from .lens_shapes import BOXED_SHAPE, OVAL_TRACE, OutlineIn
from .shapes import EyePrismOut, PowerIn

TOPIC = "centration"


class OutlineMeasures(Calculator[Any, Any]):
    """Boxed sizes, effective diameter, circumference and area of a lens shape."""

    name = "outline-measures"
    title = "Measures of a lens shape"
    version = "1.0"
    topic = TOPIC
    source = "Boxing system of ISO 8624; plane geometry of the polygon, computed from first principles"

    class Inputs(CalculatorInputs):
        outline: OutlineIn = part("The lens shape", {"radii_mm": OVAL_TRACE})

    class Outputs(CalculatorOutputs):
        a_mm: float = Quantity.mm("Boxed width")
        b_mm: float = Quantity.mm("Boxed height")
        effective_diameter_mm: float = Quantity.mm("Twice the greatest distance from the boxed centre to the edge")
        circumference_mm: float = Quantity.mm("Circumference, in the plane")
        area_mm2: float = Quantity.of("mm²", "Area, in the plane")
        smallest_circle_mm: float = Quantity.mm("Diameter of the smallest circle around the shape")
        superellipse_exponent: float | None = Quantity.number("Exponent of the assumed shape; null for a trace")

    worked_examples = (
        WorkedExample(
            inputs={"outline": {"a_mm": 54, "b_mm": 40, "exponent": 4}},
            outputs={"effective_diameter_mm": 57.6725, "a_mm": 54, "b_mm": 40},
            source=COMPUTED,
            tolerance=0.001,
        ),
        WorkedExample(
            inputs={"outline": {"radii_mm": (25.0,) * 3600}},
            outputs={"circumference_mm": 157.0796, "area_mm2": 1963.4954, "smallest_circle_mm": 50},
            source=f"{ARITHMETIC} (a circle of 50 mm: 50 pi and 625 pi)",
            tolerance=0.002,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        shape = inputs.outline.outline
        outputs = self.Outputs(
            a_mm=shape.a_mm,
            b_mm=shape.b_mm,
            effective_diameter_mm=shape.effective_diameter_mm,
            circumference_mm=shape.circumference_mm,
            area_mm2=shape.area_mm2,
            smallest_circle_mm=2 * smallest_enclosing_circle(shape.hull_mm).radius_mm,
            superellipse_exponent=None if inputs.outline.is_traced else inputs.outline.superellipse_exponent,
        )
        return CalculatorResult(outputs, (*inputs.outline.assumptions, "Radii are joined by straight lines."))


class BlankIn(CalculatorInputs):
    """A round blank; positions are of its parts from its optical centre."""

    diameter_mm: float = Quantity.mm("Diameter", ge=20, le=120, example=65.0)
    middle_in_mm: float = in_field("Middle of the blank from its optical centre", 0.0, default=0.0)
    middle_up_mm: float = up_field("Middle of the blank from its optical centre", 0.0, default=0.0)
    usable_diameter_mm: float | None = Quantity.mm(
        "Diameter of the circle inside which the lens is good; left out: the whole blank",
        ge=10,
        le=120,
        example=60.0,
        default=None,
    )
    usable_in_mm: float | None = in_field(
        "Middle of the usable circle from the optical centre; left out: the middle of the blank", 0.0, default=None
    )
    usable_up_mm: float | None = up_field(
        "Middle of the usable circle from the optical centre; left out: the middle of the blank", 0.0, default=None
    )

    def blank_for(self, eye: EyeName) -> Blank:
        nasal = eye_named(eye).nasal_sign
        return Blank(
            diameter_mm=self.diameter_mm,
            centre_x_mm=self.middle_in_mm * nasal,
            centre_y_mm=self.middle_up_mm,
            usable_diameter_mm=self.usable_diameter_mm,
            usable_x_mm=None if self.usable_in_mm is None else self.usable_in_mm * nasal,
            usable_y_mm=self.usable_up_mm,
        )


class BlankCutOut(Calculator[Any, Any]):
    """Whether a decentred lens cuts out of a blank, and otherwise the smallest move that makes it do so."""

    name = "blank-cut-out"
    title = "Exact cut-out of a lens in a blank"
    version = "1.0"
    topic = TOPIC
    source = (
        "Greatest distance from the optical centre to the outline against the blank's radius; shortest move into the "
        "discs that hold every point; computed from first principles"
    )

    class Inputs(CalculatorInputs):
        eye: EyeName = eye_field()
        outline: OutlineIn = part("The lens shape", BOXED_SHAPE)
        in_mm: float = in_field("Centration point from the boxed centre", 3.5)
        up_mm: float = up_field("Centration point from the boxed centre", 3.0, default=0.0)
        blank: BlankIn = part("The blank", {"diameter_mm": 62.0})
        margin_mm: float = Quantity.mm("What must be left all round", ge=0, le=10, example=1.0, default=0.0)
        power: PowerIn | None = part(
            "Power of the lens, to know the prism that a move would make; left out: not computed",
            {"sphere_dpt": -3.0, "cylinder_dpt": -0.75, "axis_deg": 170.0},
            default=None,
        )

    class Outputs(CalculatorOutputs):
        fits: bool = choice("Whether the lens cuts out with its optical centre on the centration point")
        fits_when_moved: bool = choice("Whether it cuts out there or after the smallest move")
        clearance_mm: float = Quantity.mm("Least distance left to the rim, margin taken off; negative is missing")
        worst_in_mm: float = Quantity.mm("Where that is, from the boxed centre, nasal positive")
        worst_up_mm: float = Quantity.mm("Where that is, from the boxed centre, up positive")
        required_diameter_mm: float = Quantity.mm("Smallest blank with its optical centre in its middle that would do")
        smallest_diameter_mm: float = Quantity.mm("Smallest blank that would do wherever its optical centre lies")
        rule_of_thumb_mm: float = Quantity.mm("What the rule of thumb asks for, margin included")
        move_in_mm: float | None = Quantity.mm("Smallest move of the optical centre, nasal positive; null for none")
        move_up_mm: float | None = Quantity.mm("Smallest move of the optical centre, up positive; null for none")
        move_mm: float | None = Quantity.mm("Length of that move; null for none")
        prism_when_moved: EyePrismOut | None = part("Prism that the move makes; null without a move or a power")

    worked_examples = (
        WorkedExample(
            inputs={
                "eye": "right",
                "outline": {"a_mm": 54, "b_mm": 40, "exponent": 4},
                "in_mm": 4,
                "blank": {"diameter_mm": 65},
            },
            outputs={"fits": True, "required_diameter_mm": 64.850611, "rule_of_thumb_mm": 65.6725},
            source=COMPUTED,
            tolerance=0.001,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        eye, outline = eye_named(inputs.eye), inputs.outline.outline
        place = Decentration(inputs.in_mm, inputs.up_mm)
        cut = cut_out_for_eye(outline, inputs.blank.blank_for(inputs.eye), eye, place, inputs.margin_mm)
        move = None if cut.shift is None else cut.shift.decentration(eye)
        prism = None
        if cut.shift is not None and inputs.power is not None:
            induced = prism_of_decentration(inputs.power.power, cut.shift.x_mm, cut.shift.y_mm)
            prism = EyePrismOut.of(induced, inputs.eye)
        rule = minimum_blank_mm(outline.effective_diameter_mm, place.in_mm, place.up_mm, 2 * inputs.margin_mm)
        outputs = self.Outputs(
            fits=cut.fits,
            fits_when_moved=cut.can_fit,
            clearance_mm=cut.clearance_mm,
            worst_in_mm=cut.worst_point_mm[0] * eye.nasal_sign,
            worst_up_mm=cut.worst_point_mm[1],
            required_diameter_mm=cut.required_diameter_mm,
            smallest_diameter_mm=cut.smallest_diameter_mm,
            rule_of_thumb_mm=rule,
            move_in_mm=None if move is None else move.in_mm,
            move_up_mm=None if move is None else move.up_mm,
            move_mm=None if move is None else move.distance_mm,
            prism_when_moved=prism,
        )
        return CalculatorResult(
            outputs,
            (*inputs.outline.assumptions, "Plane geometry, exact for the outline; the bevel is part of the margin."),
            _cut_out_warnings(outputs),
        )


def _cut_out_warnings(outputs: BlankCutOut.Outputs) -> tuple[CalculatorWarning, ...]:
    if outputs.fits:
        return ()
    if outputs.move_mm is None:
        return (warning(WarningCode.BLANK_TOO_SMALL.value, "No placement of this blank holds the lens."),)
    message = f"It cuts out only with the optical centre {outputs.move_mm:.2f} mm off the centration point."
    return warning(WarningCode.BLANK_FITS_SHIFTED.value, message), PRISM
