"""Power vectors and the power matrix, and what is computed with them: sums and differences of powers."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    blur_strength,
    from_power_matrix,
    from_power_vector,
    power_matrix,
    power_vector,
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
from .cautions import COMPUTED
from .fields import CylinderForm, cylinder_form_field, part
from .shapes import POWER_COLUMNS, PowerIn, PowerOut

TOPIC = "power"
_VECTORS = "Thibos, Wheeler & Horner, Power vectors, Optom Vis Sci 1997;74:367-375"
_MATRIX = "Long, A matrix formalism for decentration problems, Am J Optom Physiol Opt 1976;53:27-33"
_ANOTHER_LENS = {"sphere_dpt": -0.5, "cylinder_dpt": -1.5, "axis_deg": 75}
_ONE_LENS = {"sphere_dpt": 1, "cylinder_dpt": -2, "axis_deg": 20}


class PowerVector(ArrayCalculator[Any, Any]):
    """A power as three numbers that may be added, averaged and compared."""

    name = "power-vector"
    title = "Power vector of a prescription"
    version = "1.0"
    topic = TOPIC
    source = f"M = S + C/2, J0 = -(C/2) cos 2a, J45 = -(C/2) sin 2a; {_VECTORS}"
    columns = POWER_COLUMNS

    class Inputs(PowerIn):
        pass

    class Outputs(CalculatorOutputs):
        m_dpt: float = Quantity.dioptre("M, the spherical equivalent")
        j0_dpt: float = Quantity.dioptre("J0, the crossed cylinder with axes at 180 and 90")
        j45_dpt: float = Quantity.dioptre("J45, the crossed cylinder with axes at 45 and 135")
        blur_strength_dpt: float = Quantity.dioptre("Length of the vector")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 1, "cylinder_dpt": -2, "axis_deg": 30},
            outputs={"m_dpt": 0, "j0_dpt": 0.5, "j45_dpt": 0.866025, "blur_strength_dpt": 1},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any) -> tuple[Any, ...]:
        vector = power_vector(sphere, cylinder, axis)
        return *vector, blur_strength(*vector)

    def result(self, inputs: Inputs, m: float, j0: float, j45: float, blur: float) -> CalculatorResult[Outputs]:
        return CalculatorResult(self.Outputs(m_dpt=m, j0_dpt=j0, j45_dpt=j45, blur_strength_dpt=blur))


class PowerFromVector(ArrayCalculator[Any, Any]):
    """The prescription that a power vector stands for."""

    name = "power-from-vector"
    title = "Prescription of a power vector"
    version = "1.0"
    topic = TOPIC
    source = f"C = -2 sqrt(J0^2 + J45^2), S = M - C/2, a = atan2(J45, J0)/2; {_VECTORS}"
    columns = ("m_dpt", "j0_dpt", "j45_dpt")

    class Inputs(CalculatorInputs):
        m_dpt: float = Quantity.dioptre("M, the spherical equivalent", ge=-50, le=50, example=-2.0)
        j0_dpt: float = Quantity.dioptre("J0", ge=-10, le=10, example=0.3)
        j45_dpt: float = Quantity.dioptre("J45", ge=-10, le=10, example=-0.4)
        cylinder_form: CylinderForm = cylinder_form_field()

    class Outputs(PowerOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={"m_dpt": -2, "j0_dpt": 0.3, "j45_dpt": -0.4},
            outputs={"sphere_dpt": -1.5, "cylinder_dpt": -1, "axis_deg": 153.434949},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def figures(self, m: Any, j0: Any, j45: Any) -> tuple[Any, ...]:
        return from_power_vector(m, j0, j45)

    def result(self, inputs: Inputs, *power: float) -> CalculatorResult[Outputs]:
        return CalculatorResult(self.Outputs.of((power[0], power[1], power[2]), inputs.cylinder_form))


class PowerMatrix(ArrayCalculator[Any, Any]):
    """The symmetric dioptric power matrix, with which a toric lens is computed like a number."""

    name = "power-matrix"
    title = "Power matrix of a prescription"
    version = "1.0"
    topic = TOPIC
    source = f"f11 = S + C sin^2 a, f12 = -C sin a cos a, f22 = S + C cos^2 a; {_MATRIX}"
    columns = POWER_COLUMNS

    class Inputs(PowerIn):
        pass

    class Outputs(CalculatorOutputs):
        f11_dpt: float = Quantity.dioptre("f11, horizontal")
        f12_dpt: float = Quantity.dioptre("f12 = f21, oblique")
        f22_dpt: float = Quantity.dioptre("f22, vertical")

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": -1, "cylinder_dpt": 2.5, "axis_deg": 20},
            outputs={"f11_dpt": -0.707556, "f12_dpt": -0.803485, "f22_dpt": 1.207556},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def figures(self, sphere: Any, cylinder: Any, axis: Any) -> tuple[Any, ...]:
        return power_matrix(sphere, cylinder, axis)

    def result(self, inputs: Inputs, f11: float, f12: float, f22: float) -> CalculatorResult[Outputs]:
        return CalculatorResult(self.Outputs(f11_dpt=f11, f12_dpt=f12, f22_dpt=f22))


class PowerFromMatrix(ArrayCalculator[Any, Any]):
    """The prescription that a power matrix stands for."""

    name = "power-from-matrix"
    title = "Prescription of a power matrix"
    version = "1.0"
    topic = TOPIC
    source = f"M = (f11 + f22)/2, J0 = (f11 - f22)/2, J45 = f12; {_MATRIX}"
    columns = ("f11_dpt", "f12_dpt", "f22_dpt")

    class Inputs(CalculatorInputs):
        f11_dpt: float = Quantity.dioptre("f11, horizontal", ge=-60, le=60, example=0.5)
        f12_dpt: float = Quantity.dioptre("f12 = f21, oblique", ge=-10, le=10, example=0.866025)
        f22_dpt: float = Quantity.dioptre("f22, vertical", ge=-60, le=60, example=-0.5)
        cylinder_form: CylinderForm = cylinder_form_field()

    class Outputs(PowerOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={"f11_dpt": -4.25, "f12_dpt": 0, "f22_dpt": -3, "cylinder_form": "minus"},
            outputs={"sphere_dpt": -3, "cylinder_dpt": -1.25, "axis_deg": 90},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def figures(self, f11: Any, f12: Any, f22: Any) -> tuple[Any, ...]:
        return from_power_matrix(f11, f12, f22)

    def result(self, inputs: Inputs, *power: float) -> CalculatorResult[Outputs]:
        return CalculatorResult(self.Outputs.of((power[0], power[1], power[2]), inputs.cylinder_form))


class CrossedPowersSum(Calculator[Any, Any]):
    """Two lenses in contact, their cylinders crossed at any angle."""

    name = "crossed-powers-sum"
    title = "Sum of two obliquely crossed powers"
    version = "1.0"
    topic = TOPIC
    source = f"Power vectors added component by component; {_VECTORS}"

    class Inputs(CalculatorInputs):
        first: PowerIn = part("First lens", _ONE_LENS)
        second: PowerIn = part("Second lens, in contact with the first", _ANOTHER_LENS)
        cylinder_form: CylinderForm = cylinder_form_field()

    class Outputs(PowerOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={
                "first": {"sphere_dpt": 0, "cylinder_dpt": 2, "axis_deg": 120},
                "second": {"sphere_dpt": 0, "cylinder_dpt": -2.25, "axis_deg": 30},
            },
            outputs={"sphere_dpt": 2, "cylinder_dpt": -4.25, "axis_deg": 30},
            source="Student Doctor forum worked answer, https://forums.studentdoctor.net/threads/help.116587/",
        ),
        WorkedExample(
            inputs={
                "first": {"sphere_dpt": 1.75, "cylinder_dpt": 0.5, "axis_deg": 45},
                "second": {"sphere_dpt": -2.25, "cylinder_dpt": -1, "axis_deg": 135},
            },
            outputs={"sphere_dpt": 0, "cylinder_dpt": -1.5, "axis_deg": 135},
            source=(
                "The Indian Optician, May-June 2022 p.105, "
                "https://tionet.in/Mags/2022/May-June%202022/files/basic-html/page105.html"
            ),
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        total = inputs.first.power + inputs.second.power
        return CalculatorResult(self.Outputs.of(total, inputs.cylinder_form), ("Thin lenses in contact.",))


class CrossedPowersDifference(Calculator[Any, Any]):
    """What is left of one power when another is taken away: a residual, an over-refraction, an axis error."""

    name = "crossed-powers-difference"
    title = "Difference of two obliquely crossed powers"
    version = "1.0"
    topic = TOPIC
    source = f"Power vectors subtracted component by component; {_VECTORS}"

    class Inputs(CalculatorInputs):
        first: PowerIn = part("The power from which the other is taken", _ONE_LENS)
        second: PowerIn = part("The power that is taken away", _ANOTHER_LENS)
        cylinder_form: CylinderForm = cylinder_form_field()

    class Outputs(PowerOut):
        blur_strength_dpt: float = Quantity.dioptre("Length of the difference as a power vector")

    worked_examples = (
        WorkedExample(
            inputs={
                "first": {"sphere_dpt": -3, "cylinder_dpt": -1.5, "axis_deg": 170},
                "second": {"sphere_dpt": -2.75, "cylinder_dpt": -1, "axis_deg": 15},
            },
            outputs={"sphere_dpt": 0.074812, "cylinder_dpt": -1.149625, "axis_deg": 149.10728},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        rest = inputs.first.power - inputs.second.power
        written = PowerOut.of(rest, inputs.cylinder_form)
        outputs = self.Outputs(**written.model_dump(), blur_strength_dpt=blur_strength(*rest.power_vector))
        return CalculatorResult(outputs, ("Thin lenses in contact.",))
