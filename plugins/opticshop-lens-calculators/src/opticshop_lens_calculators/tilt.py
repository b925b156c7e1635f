"""Lenses worn tilted: how they act, and what to order so that they act as prescribed."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    SpheroCylinder,
    TiltModel,
    centre_drop_mm,
    combined_tilt,
    effective_tilted_power,
    power_to_order,
)
from opticshop.plugin_api import (
    Calculator,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    Quantity,
    WorkedExample,
)

from .cautions import COMPUTED, POWER_CHANGED, warning
from .fields import CylinderForm, EyeName, cylinder_form_field, eye_field, eye_named, index_field, part
from .shapes import PowerIn, PowerOut

TOPIC = "tilt"
_FORMULA = (
    'the generalised Coddington and Martin forms F_eff = k D F D; Harris, "Tilted power of thin lenses", Optom Vis Sci '
    "2002; Martin's formula page "
    "https://resources.wolframcloud.com/FormulaRepository/resources/c0699b29-0c78-47df-8b34-a793561befbb"
)
_VALID_UP_TO_DEG = 25.0
"""The greater of the two bounds usually named for the thin-lens form (20 to 25 degrees)."""
_THIN = "Thin lens, the optical centre on the visual axis; tilts up to 20 or 25 degrees."


class TiltedIn(PowerIn):
    """A power worn with pantoscopic and face-form tilt."""

    eye: EyeName = eye_field("The wearer's eye; matters when both tilts are there")
    panto_deg: float = Quantity.degree(
        "Pantoscopic tilt as worn, lower edge toward the face positive", ge=-30, le=30, example=8.0, default=0.0
    )
    wrap_deg: float = Quantity.degree(
        "Face-form angle of this lens, temporal edge toward the face positive", ge=-35, le=35, example=5.0, default=0.0
    )
    index: float = index_field()
    cylinder_form: CylinderForm = cylinder_form_field()

    def tilted(self, function: Any, model: TiltModel) -> SpheroCylinder:
        """One of the two functions of the optics core on these inputs."""
        return SpheroCylinder(
            *function(
                *self.triple,
                panto_deg=self.panto_deg,
                wrap_deg=self.wrap_deg,
                index=self.index,
                eye=eye_named(self.eye),
                model=model,
            )
        )

    def shared_figures(self, change: SpheroCylinder) -> dict[str, float]:
        tilt, meridian = combined_tilt(self.panto_deg, self.wrap_deg, eye_named(self.eye))
        return {
            "tilt_deg": tilt,
            "tangential_meridian_deg": meridian,
            "largest_change_dpt": change.highest_absolute_power_dpt,
        }


class TiltedOut(CalculatorOutputs):
    """Both models, and the one tilt that the two amount to."""

    exact: PowerOut = part("By the exact thin-lens form")
    martin: PowerOut = part("By Martin's approximation, for comparison with hand calculations")
    tilt_deg: float = Quantity.degree("The one tilt that both amount to")
    tangential_meridian_deg: float = Quantity.degree("Meridian in which that tilt lies, from 0 up to 180")
    largest_change_dpt: float = Quantity.dioptre("Greatest change of power in any meridian, exact form, unsigned")


def _warnings(tilt_deg: float) -> tuple[CalculatorWarning, ...]:
    if tilt_deg <= _VALID_UP_TO_DEG:
        return ()
    return (warning("tilt_beyond_the_formula", "So strong a tilt is outside the range in which the formula is good."),)


class TiltedLensEffect(Calculator[Any, Any]):
    """The power with which an uncompensated lens acts when it is worn tilted."""

    name = "tilted-lens-effect"
    title = "Effect of tilt on a lens"
    version = "1.0"
    topic = TOPIC
    source = f"Power of a tilted lens by {_FORMULA}"

    class Inputs(TiltedIn):
        pass

    class Outputs(TiltedOut):
        pass

    worked_examples = (
        WorkedExample(
            inputs={"sphere_dpt": 15, "eye": "right", "panto_deg": 10, "index": 1.5, "cylinder_form": "plus"},
            outputs={"martin": {"sphere_dpt": 15.15, "cylinder_dpt": 0.47, "axis_deg": 180}},
            source=(
                'Durham Tech opticianry course notes "Lens tilt", '
                "http://courses.durhamtech.edu/opticianry/oph142/NFOS-12/lens_tilt.html (15.15, 0.47 x 180)"
            ),
        ),
        WorkedExample(
            inputs={"sphere_dpt": -8, "eye": "right", "wrap_deg": 18, "index": 1.586},
            outputs={
                "exact": {"sphere_dpt": -8.253211, "cylinder_dpt": -0.871315, "axis_deg": 90},
                "martin": {"sphere_dpt": -8.240836, "cylinder_dpt": -0.870008, "axis_deg": 90},
            },
            source=f"{COMPUTED}, and by independent ray tracing",
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        exact = inputs.tilted(effective_tilted_power, TiltModel.EXACT)
        martin = inputs.tilted(effective_tilted_power, TiltModel.MARTIN)
        outputs = self.Outputs(
            exact=PowerOut.of(exact, inputs.cylinder_form),
            martin=PowerOut.of(martin, inputs.cylinder_form),
            **inputs.shared_figures(exact - inputs.power),
        )
        return CalculatorResult(outputs, (_THIN,), _warnings(outputs.tilt_deg))


class TiltCompensatedPower(Calculator[Any, Any]):
    """The power to order so that the lens, worn tilted, acts as prescribed."""

    name = "tilt-compensated-power"
    title = "Power to order for a tilted lens"
    version = "1.0"
    topic = TOPIC
    source = f"F = (1/k) D^-1 F_Rx D^-1, the inverse of {_FORMULA}"

    class Inputs(TiltedIn):
        pass

    class Outputs(TiltedOut):
        centre_drop_mm: float = Quantity.mm(
            "How far the optical centre is lowered for the pantoscopic tilt, by the rule of 1 mm for 2 degrees"
        )

    worked_examples = (
        WorkedExample(
            inputs={
                "sphere_dpt": -8,
                "cylinder_dpt": -1.5,
                "axis_deg": 160,
                "eye": "left",
                "wrap_deg": 20,
                "index": 1.586,
            },
            outputs={
                "exact": {"sphere_dpt": -6.856775, "cylinder_dpt": -2.205559, "axis_deg": 168.358043},
                "martin": {"sphere_dpt": -6.872342, "cylinder_dpt": -2.210566, "axis_deg": 168.358043},
            },
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        exact = inputs.tilted(power_to_order, TiltModel.EXACT)
        martin = inputs.tilted(power_to_order, TiltModel.MARTIN)
        outputs = self.Outputs(
            exact=PowerOut.of(exact, inputs.cylinder_form),
            martin=PowerOut.of(martin, inputs.cylinder_form),
            centre_drop_mm=centre_drop_mm(inputs.panto_deg),
            **inputs.shared_figures(exact - inputs.power),
        )
        changed = (POWER_CHANGED,) if outputs.tilt_deg else ()
        return CalculatorResult(
            outputs,
            (_THIN, "The maker has not compensated the lens already: ask, or the tilt is corrected twice."),
            (*changed, *_warnings(outputs.tilt_deg)),
        )
