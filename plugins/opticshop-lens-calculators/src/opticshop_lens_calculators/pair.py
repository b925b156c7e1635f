"""A whole pair of spectacles at once: powers, centration, blanks, thickness, weight, prism and warnings."""

from __future__ import annotations

from typing import Any

from opticshop.optics import DispensingWarning, PairResult, RelativePrism, WarningCode, compute_pair
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    Quantity,
    WorkedExample,
)

from .cautions import ARITHMETIC, IMAGE_SIZE, POWER_CHANGED, PRISM, SLAB_OFF, warning
from .fields import EyeName, name_of, part
from .pair_shapes import EyeIn, EyeLensOut, FrameIn, LensIn, LimitsIn

_EXAMPLE_LENS = {
    "index": 1.6,
    "abbe": 41.0,
    "density_g_cm3": 1.3,
    "diameter_mm": 70.0,
    "front_power_dpt": 3.0,
    "minimum_centre_mm": 1.5,
    "minimum_edge_mm": 1.0,
}
_EXAMPLE_FRAME = {"a_mm": 52.0, "b_mm": 36.0, "dbl_mm": 18.0, "ed_mm": 55.0}
_EXAMPLE_RIGHT = {
    "sphere_dpt": -3.0,
    "cylinder_dpt": -0.75,
    "axis_deg": 170.0,
    "vertex_worn_mm": 12.0,
    "mono_pd_mm": 31.5,
    "height_mm": 21.0,
}
_EXAMPLE_LEFT = {
    "sphere_dpt": -3.25,
    "cylinder_dpt": -0.5,
    "axis_deg": 10.0,
    "vertex_worn_mm": 12.0,
    "mono_pd_mm": 33.0,
    "height_mm": 21.0,
}


class RelativePrismOut(CalculatorOutputs):
    """What the two lenses ask of the eyes together."""

    base_in_pdpt: float = Quantity.prism_dioptre("Base in of the pair; negative is base out")
    right_up_pdpt: float = Quantity.prism_dioptre("Base up right minus base up left")

    @classmethod
    def of(cls, prism: RelativePrism) -> RelativePrismOut:
        return cls(base_in_pdpt=prism.base_in_pdpt, right_up_pdpt=prism.right_up_pdpt)


class PairOfSpectacles(Calculator[Any, Any]):
    """Everything an order needs to know about its two lenses."""

    name = "pair-of-spectacles"
    title = "A whole pair of spectacles"
    version = "1.0"
    topic = "whole pair"
    source = (
        "Effectivity, boxing system of ISO 8624, exact cut-out, thick-lens form, Prentice's rule with the full matrix "
        "and tilt by the generalised Coddington form, put together; each as in the calculator of its own"
    )

    class Inputs(CalculatorInputs):
        right: EyeIn = part("Right eye", _EXAMPLE_RIGHT)
        left: EyeIn = part("Left eye", _EXAMPLE_LEFT)
        frame: FrameIn = part("Frame", _EXAMPLE_FRAME)
        lens: LensIn = part("Right lens, and the left one unless that is given", _EXAMPLE_LENS)
        left_lens: LensIn | None = part("Left lens; left out: made like the right one", default=None)
        binocular_pd_mm: float | None = Quantity.mm(
            "Binocular PD, halved for an eye without a monocular one", ge=30, le=100, example=64.5, default=None
        )
        limits: LimitsIn = part("From where on warnings are given", default=LimitsIn())

    class Outputs(CalculatorOutputs):
        right: EyeLensOut = part("Right lens")
        left: EyeLensOut = part("Left lens")
        prescribed_prism: RelativePrismOut = part("Prescribed prism of the pair")
        induced_prism: RelativePrismOut = part("Prism of the pair beyond the prescribed one")
        induced_if_shifted: RelativePrismOut = part("The same when lenses are moved so that they cut out")
        anisometropia_dpt: float = Quantity.dioptre("Highest absolute power of the difference, right minus left")
        right_up_reading_pdpt: float = Quantity.prism_dioptre("Base up of the right lens at the reading level")
        left_up_reading_pdpt: float = Quantity.prism_dioptre("Base up of the left lens at the reading level")
        slab_pdpt: float = Quantity.prism_dioptre("Base-up slab that would remove the difference at the reading level")
        slab_eye: EyeName | None = part("The lens that would take it; null for equal lenses")
        size_difference_percent: float | None = Quantity.percent(
            "How much larger the right image is; null unless both worn vertex distances are known"
        )
        weight_g: float = Quantity.gram("Weight of both cut lenses")

    worked_examples = (
        WorkedExample(
            inputs={
                "right": _EXAMPLE_RIGHT,
                "left": _EXAMPLE_LEFT,
                "frame": _EXAMPLE_FRAME,
                "lens": _EXAMPLE_LENS,
            },
            outputs={
                "right": {"centration_in_mm": 3.5, "centration_up_mm": 3, "minimum_blank_rule_mm": 64.219544},
                "left": {"centration_in_mm": 2, "centration_up_mm": 3, "minimum_blank_rule_mm": 62.211103},
            },
            source=f"{ARITHMETIC} (boxing: A 52, DBL 18, B 36, ED 55, PD 31.5 and 33, height 21)",
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        lens = inputs.lens.lens_input
        found = compute_pair(
            inputs.right.eye_input("right"),
            inputs.left.eye_input("left"),
            inputs.frame.frame_input,
            lens,
            lens if inputs.left_lens is None else inputs.left_lens.lens_input,
            binocular_pd_mm=inputs.binocular_pd_mm,
            limits=inputs.limits.limits,
        )
        slab_eye = found.reading.slab_eye
        outputs = self.Outputs(
            right=EyeLensOut.of(found.right),
            left=EyeLensOut.of(found.left),
            prescribed_prism=RelativePrismOut.of(found.prescribed_prism),
            induced_prism=RelativePrismOut.of(found.induced_prism),
            induced_if_shifted=RelativePrismOut.of(found.induced_if_shifted),
            anisometropia_dpt=found.anisometropia_dpt,
            right_up_reading_pdpt=found.reading.right_up_pdpt,
            left_up_reading_pdpt=found.reading.left_up_pdpt,
            slab_pdpt=found.reading.slab_pdpt,
            slab_eye=None if slab_eye is None else name_of(slab_eye),
            size_difference_percent=found.size_difference_percent,
            weight_g=found.right.weight_g + found.left.weight_g,
        )
        return CalculatorResult(
            outputs,
            (
                "Spherical front, no bevel, thin lenses for prism and tilt.",
                "Support for the judgement of a registered person, who checks prescription and measurements.",
            ),
            (*(_worded(note) for note in found.warnings), *_cautions(inputs, found)),
        )


def _worded(note: DispensingWarning) -> CalculatorWarning:
    side = "" if note.eye is None else f"{name_of(note.eye).capitalize()} lens: "
    return warning(note.code.value, f"{side}{note.message}.")


def _cautions(inputs: PairOfSpectacles.Inputs, found: PairResult) -> tuple[CalculatorWarning, ...]:
    cautions = []
    eyes = ((inputs.right, found.right), (inputs.left, found.left))
    if any(result.lens_power != given.power for given, result in eyes):
        cautions.append(POWER_CHANGED)
    induced = [prism for _, result in eyes for prism in (result.induced_prism, result.induced_if_shifted)]
    prescribed = any(given.base_in_pdpt or given.base_up_pdpt for given, _ in eyes)
    if prescribed or any(prism is not None and not prism.is_zero for prism in induced):
        cautions.append(PRISM)
    if any(note.code is WarningCode.READING_IMBALANCE for note in found.warnings):
        cautions.append(SLAB_OFF)
        if found.size_difference_percent is not None:
            cautions.append(IMAGE_SIZE)
    return tuple(cautions)
