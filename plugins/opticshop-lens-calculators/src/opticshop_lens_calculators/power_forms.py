"""One power in its other forms: cylinder signs, crossed cylinders, spherical equivalent, meridians, toric curves."""

from __future__ import annotations

from typing import Any, Literal

from opticshop.optics import (
    crossed_cylinders,
    meridional_power,
    spherical_equivalent,
    to_minus_cylinder,
    to_plus_cylinder,
    toric_base_form,
)
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    Quantity,
    WorkedExample,
)

from .arrays import ArrayCalculator
from .cautions import ARITHMETIC
from .fields import part
from .shapes import POWER_COLUMNS, PowerIn, PowerOut

TOPIC = "power"

_PRACTICE_8 = (
    "NFOS opticianry course, module 8 practice answers, http://www.nfos.org/degree/opt11/practice_answers_08.html"
)
_BASE_CURVES = "MRCOphth mock station, http://mrcophth.com/mock/mock10/stationthree.html"


class PlanoCylinderOut(CalculatorOutputs):
    """One of two crossed cylinders; it acts at right angles to its axis."""

    cylinder_dpt: float = Quantity.dioptre("Cylinder")
    axis_deg: float = Quantity.degree("Axis, above 0 and up to 180")


class MeridianOut(CalculatorOutputs):
    """One arm of the optical cross."""

    meridian_deg: float = Quantity.degree("Meridian, above 0 and up to 180")
    power_dpt: float = Quantity.dioptre("Power along it")


class Transposition(ArrayCalculator[Any, Any]):
    """Both cylinder signs, two crossed cylinders and the optical cross of one power."""

    name = "transposition"
    title = "Transposition"
    version = "1.0"
    topic = TOPIC
    source = (
        "Sphere S + C, cylinder -C, axis turned by 90 degrees; NFOS opticianry course, module 8c, "
        "http://www.nfos.org/degree/opt11/module_08c.html"
    )
    columns = POWER_COLUMNS

    class Inputs(PowerIn):
        pass

    class Outputs(CalculatorOutputs):
        minus_cylinder: PowerOut = part("The power in minus-cylinder form")
        plus_cylinder: PowerOut = part("The power in plus-cylinder form")
        crossed_first: PlanoCylinderOut = part("First of two crossed cylinders, S + C with the axis as given")
        crossed_second: PlanoCylinderOut = part("Second of two crossed cylinders, S at right angles to that axis")
        cross_along: MeridianOut = part("Optical cross: the power S along the axis meridian")
        cross_across: MeridianOut = part("Optical cross: the power S + C at right angles to it")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 1.5, "cylinder_dpt": -0.5, "axis_deg": 125},
            outputs={"plus_cylinder": {"sphere_dpt": 1.0, "cylinder_dpt": 0.5, "axis_deg": 35}},
            source="NFOS opticianry course, module 8c, http://www.nfos.org/degree/opt11/module_08c.html",
        ),
        WorkedExample(
            inputs={"sphere_dpt": -1, "cylinder_dpt": -1, "axis_deg": 180},
            outputs={"plus_cylinder": {"sphere_dpt": -2, "cylinder_dpt": 1, "axis_deg": 90}},
            source=_PRACTICE_8,
        ),
        WorkedExample(
            inputs={"sphere_dpt": 2, "cylinder_dpt": -3, "axis_deg": 30},
            outputs={
                "crossed_first": {"cylinder_dpt": -1, "axis_deg": 30},
                "crossed_second": {"cylinder_dpt": 2, "axis_deg": 120},
            },
            source=ARITHMETIC,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any) -> tuple[Any, ...]:
        power = sphere, cylinder, axis
        return *to_minus_cylinder(*power), *to_plus_cylinder(*power), *crossed_cylinders(*power)

    def result(self, inputs: Inputs, *figures: float) -> CalculatorResult[Outputs]:
        minus, plus, (first, axis, second, across) = figures[:3], figures[3:6], figures[6:]
        outputs = self.Outputs(
            minus_cylinder=PowerOut.of((minus[0], minus[1], minus[2])),
            plus_cylinder=PowerOut.of((plus[0], plus[1], plus[2])),
            crossed_first=PlanoCylinderOut(cylinder_dpt=first, axis_deg=axis),
            crossed_second=PlanoCylinderOut(cylinder_dpt=second, axis_deg=across),
            cross_along=MeridianOut(meridian_deg=axis, power_dpt=second),
            cross_across=MeridianOut(meridian_deg=across, power_dpt=first),
        )
        return CalculatorResult(outputs, () if inputs.cylinder_dpt else ("A sphere has one form and no axis.",))


class SphericalEquivalent(ArrayCalculator[Any, Any]):
    """The sphere that lies midway between the two principal powers."""

    name = "spherical-equivalent"
    title = "Spherical equivalent"
    version = "1.0"
    topic = TOPIC
    source = "M = S + C/2; Thibos, Wheeler & Horner, Optom Vis Sci 1997;74:367-375"
    columns = ("sphere_dpt", "cylinder_dpt")

    class Inputs(CalculatorInputs):
        sphere_dpt: float = Quantity.dioptre("Sphere", ge=-40, le=40, example=-2.0)
        cylinder_dpt: float = Quantity.dioptre("Cylinder, of either sign", ge=-20, le=20, example=-1.5)

    class Outputs(CalculatorOutputs):
        spherical_equivalent_dpt: float = Quantity.dioptre("Spherical equivalent, unrounded")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 1, "cylinder_dpt": 2.25},
            outputs={"spherical_equivalent_dpt": 2.125},
            source=ARITHMETIC,
            tolerance=1e-9,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any) -> tuple[Any, ...]:
        return (spherical_equivalent(sphere, cylinder),)

    def result(self, inputs: Inputs, equivalent: float) -> CalculatorResult[Outputs]:
        return CalculatorResult(
            self.Outputs(spherical_equivalent_dpt=equivalent),
            ("Not rounded; it does not replace the cylinder.",),
        )


class MeridionalPower(ArrayCalculator[Any, Any]):
    """The curvature power of a lens along any meridian."""

    name = "meridional-power"
    title = "Power along a meridian"
    version = "1.0"
    topic = TOPIC
    source = (
        "F(m) = S + C sin^2(m - a); Optician study notes, https://opticianstudy.com/powers-in-oblique-meridians-formula"
    )
    columns = (*POWER_COLUMNS, "meridian_deg")

    class Inputs(PowerIn):
        meridian_deg: float = Quantity.degree("Meridian, TABO notation", ge=0, le=360, example=90.0)

    class Outputs(CalculatorOutputs):
        power_dpt: float = Quantity.dioptre("Power along the meridian")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": -8, "cylinder_dpt": -2, "axis_deg": 112, "meridian_deg": 180},
            outputs={"power_dpt": -9.72},
            source="Optician study notes, https://opticianstudy.com/powers-in-oblique-meridians-formula",
        ),
        WorkedExample(
            inputs={"sphere_dpt": 3, "cylinder_dpt": -1.5, "axis_deg": 102, "meridian_deg": 90},
            outputs={"power_dpt": 2.94},
            source=(
                "OpticalEd study articles (B. McCardle, 2009), "
                "http://www.opticaled.com/articles/problem-solving/2009/11/oblique-meridian/"
            ),
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any, meridian: Any) -> tuple[Any, ...]:
        return (meridional_power(sphere, cylinder, axis, meridian),)

    def result(self, inputs: Inputs, power: float) -> CalculatorResult[Outputs]:
        return CalculatorResult(
            self.Outputs(power_dpt=power),
            ("Away from the principal meridians this is no focal power, and prism there needs the whole lens.",),
        )


class ToricBaseCurve(Calculator[Any, Any]):
    """A power written for a lens with one spherical and one toric surface of a wanted base curve."""

    name = "toric-base-curve"
    title = "Toric base curve transposition"
    version = "1.0"
    topic = "surfaces"
    source = f"Thin-lens transposition to a base curve; {_BASE_CURVES}"

    class Inputs(PowerIn):
        base_curve_dpt: float = Quantity.dioptre(
            "Flatter curve of the toric surface: positive for a toric front, negative for a toric back",
            ge=-25,
            le=25,
            example=6.0,
        )

    class Outputs(CalculatorOutputs):
        toric_side: Literal["front", "back"] = part("Which surface is toric")
        sphere_dpt: float = Quantity.dioptre("Power of the spherical surface, on the other side")
        base_dpt: float = Quantity.dioptre("Base curve, written as a cylinder")
        base_axis_deg: float = Quantity.degree("Axis of the base curve")
        cross_dpt: float = Quantity.dioptre("Cross curve, written as a cylinder")
        cross_axis_deg: float = Quantity.degree("Axis of the cross curve")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 3, "cylinder_dpt": -1, "axis_deg": 180, "base_curve_dpt": 6},
            outputs={
                "toric_side": "front",
                "sphere_dpt": -4,
                "base_dpt": 6,
                "base_axis_deg": 180,
                "cross_dpt": 7,
                "cross_axis_deg": 90,
            },
            source=_BASE_CURVES,
        ),
        WorkedExample(
            inputs={"sphere_dpt": -2, "cylinder_dpt": 1.5, "axis_deg": 90, "base_curve_dpt": -6},
            outputs={
                "toric_side": "back",
                "sphere_dpt": 5.5,
                "base_dpt": -6,
                "base_axis_deg": 90,
                "cross_dpt": -7.5,
                "cross_axis_deg": 180,
            },
            source=_BASE_CURVES,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        form = toric_base_form(inputs.power, inputs.base_curve_dpt)
        outputs = self.Outputs(
            toric_side="front" if inputs.base_curve_dpt > 0 else "back",
            sphere_dpt=form.sphere_dpt,
            base_dpt=form.base_dpt,
            base_axis_deg=form.base_axis_deg,
            cross_dpt=form.cross_dpt,
            cross_axis_deg=form.cross_axis_deg,
        )
        return CalculatorResult(outputs, ("Thin lens; each cylinder acts at right angles to its axis.",))
