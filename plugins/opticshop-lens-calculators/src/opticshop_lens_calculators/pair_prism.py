"""Prism of a pair that nobody ordered: from centration errors, and at the reading level of unequal eyes."""

from __future__ import annotations

from typing import Any

from opticshop.optics import prism_of_centration_errors, reading_imbalance
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    Quantity,
    WorkedExample,
)

from .cautions import COMPUTED, PRISM, SLAB_OFF, warning
from .fields import EyeName, name_of, part
from .shapes import EyePrismOut, PowerIn

TOPIC = "prism"
_FLASHCARDS = (
    "Study flashcards OPT-1156 Ophthalmic Lens II, "
    "https://brainscape.com/flashcards/opt-1156-ophthalmic-lens-ii-unit-1-2261801/packs/4023756"
)


def _error(description: str, example: float) -> Any:
    return Quantity.mm(description, ge=-30, le=30, example=example, default=0.0)


class PairPrismFromCentration(Calculator[Any, Any]):
    """The prism of each lens, and of the pair, when the optical centres lie off the pupils."""

    name = "pair-prism-from-centration"
    title = "Prism of a pair from centration errors"
    version = "1.0"
    topic = TOPIC
    source = (
        "Prentice's rule for each lens, bases compared: in and in add, up right and up left subtract; "
        "computed from first principles"
    )

    class Inputs(CalculatorInputs):
        right: PowerIn = part("Right lens", {"sphere_dpt": -5.0, "cylinder_dpt": -1.0, "axis_deg": 90.0})
        left: PowerIn = part("Left lens", {"sphere_dpt": -3.0, "cylinder_dpt": -2.0, "axis_deg": 180.0})
        right_out_mm: float = _error("How far the right optical centre lies too far outward", 1.5)
        left_out_mm: float = _error("How far the left optical centre lies too far outward", 1.5)
        right_up_mm: float = _error("How far the right optical centre lies too high", 0.0)
        left_up_mm: float = _error("How far the left optical centre lies too high", 0.0)

    class Outputs(CalculatorOutputs):
        right: EyePrismOut = part("Prism of the right lens")
        left: EyePrismOut = part("Prism of the left lens")
        base_in_pdpt: float = Quantity.prism_dioptre("Horizontal prism of the pair, base in; negative is base out")
        right_up_pdpt: float = Quantity.prism_dioptre("Vertical prism of the pair, base up right minus base up left")

    worked_examples = (
        WorkedExample(
            inputs={
                "right": {"sphere_dpt": -5, "cylinder_dpt": -1, "axis_deg": 90},
                "left": {"sphere_dpt": -3, "cylinder_dpt": -2, "axis_deg": 180},
                "right_out_mm": 1.5,
                "left_out_mm": 1.5,
            },
            outputs={"right": {"base_in_pdpt": 0.9}, "left": {"base_in_pdpt": 0.45}, "base_in_pdpt": 1.35},
            source=COMPUTED,
            tolerance=1e-6,
        ),
        WorkedExample(
            inputs={
                "right": {"sphere_dpt": -4},
                "left": {"sphere_dpt": -4},
                "right_up_mm": 1,
                "left_up_mm": -1,
            },
            outputs={"base_in_pdpt": 0, "right_up_pdpt": -0.8},
            source=COMPUTED,
            tolerance=1e-6,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        pair = prism_of_centration_errors(
            inputs.right.power,
            inputs.left.power,
            right_out_mm=inputs.right_out_mm,
            left_out_mm=inputs.left_out_mm,
            right_up_mm=inputs.right_up_mm,
            left_up_mm=inputs.left_up_mm,
        )
        outputs = self.Outputs(
            right=EyePrismOut.of(pair.right, "right"),
            left=EyePrismOut.of(pair.left, "left"),
            base_in_pdpt=pair.relative.base_in_pdpt,
            right_up_pdpt=pair.relative.right_up_pdpt,
        )
        return CalculatorResult(
            outputs,
            ("Thin lenses, distance vision. A tolerance standard, not this figure, decides whether the pair passes.",),
            (PRISM,),
        )


class ReadingLevelImbalance(Calculator[Any, Any]):
    """Vertical imbalance of unequal eyes at the reading level, and the slab-off that would remove it."""

    name = "reading-level-imbalance"
    title = "Imbalance at the reading level and slab-off"
    version = "1.0"
    topic = TOPIC
    source = f"Prentice's rule at the reading point, up right minus up left; {_FLASHCARDS}"

    class Inputs(CalculatorInputs):
        right: PowerIn = part("Right distance power", {"sphere_dpt": -3.0, "cylinder_dpt": -2.0, "axis_deg": 180.0})
        left: PowerIn = part("Left distance power", {"sphere_dpt": -2.75, "cylinder_dpt": -2.5, "axis_deg": 90.0})
        drop_mm: float = Quantity.mm(
            "Reading level below the distance optical centres", ge=0, le=30, example=8.0, default=10.0
        )
        inset_mm: float = Quantity.mm(
            "Reading point nasally of the distance optical centres; common practice leaves it out",
            ge=-10,
            le=10,
            example=0.0,
            default=0.0,
        )
        slab_from_pdpt: float = Quantity.prism_dioptre(
            "Imbalance from which slab-off is usually considered (common practice, no source)",
            ge=0,
            le=20,
            example=1.5,
            default=1.5,
        )
        slab_up_to_pdpt: float = Quantity.prism_dioptre(
            "Largest slab-off usually made (common practice, no source)", ge=0, le=20, example=6.0, default=6.0
        )

    class Outputs(CalculatorOutputs):
        right_up_pdpt: float = Quantity.prism_dioptre("Base up of the right lens at the reading point")
        left_up_pdpt: float = Quantity.prism_dioptre("Base up of the left lens at the reading point")
        difference_pdpt: float = Quantity.prism_dioptre("Up right minus up left")
        slab_pdpt: float = Quantity.prism_dioptre("Base-up slab that would remove the difference")
        slab_eye: EyeName | None = part("The lens with the more base-down prism, which takes it; null for equal lenses")
        anisometropia_dpt: float = Quantity.dioptre("Highest absolute power of the difference, right minus left")

    worked_examples = (
        WorkedExample(
            inputs={
                "right": {"sphere_dpt": -3, "cylinder_dpt": -2, "axis_deg": 180},
                "left": {"sphere_dpt": -2.75, "cylinder_dpt": -2.5, "axis_deg": 90},
                "drop_mm": 8,
            },
            outputs={"slab_pdpt": 1.8, "slab_eye": "right"},
            source=f"{_FLASHCARDS} (1.8; base up right)",
        ),
        WorkedExample(
            inputs={"right": {"sphere_dpt": -1}, "left": {"sphere_dpt": 1}, "drop_mm": 5},
            outputs={"right_up_pdpt": -0.5, "left_up_pdpt": 0.5},
            source="20/20 magazine, https://www.2020mag.com/l-and-t/40051/ (0.5 each, opposite)",
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        right, left = inputs.right.power, inputs.left.power
        found = reading_imbalance(right, left, inputs.drop_mm, inputs.inset_mm)
        outputs = self.Outputs(
            right_up_pdpt=found.right_up_pdpt,
            left_up_pdpt=found.left_up_pdpt,
            difference_pdpt=found.difference_pdpt,
            slab_pdpt=found.slab_pdpt,
            slab_eye=None if found.slab_eye is None else name_of(found.slab_eye),
            anisometropia_dpt=(right - left).highest_absolute_power_dpt,
        )
        warnings = [SLAB_OFF] if found.slab_pdpt else []
        if found.slab_pdpt > inputs.slab_up_to_pdpt:
            warnings.append(warning("beyond_usual_slab_off", "The imbalance is larger than slab-off usually removes."))
        elif found.slab_pdpt >= max(inputs.slab_from_pdpt, 1e-9):
            warnings.append(warning("slab_off_usually_considered", "At this imbalance slab-off is usually considered."))
        return CalculatorResult(
            outputs,
            ("Equal additions and segments on both lenses, which cancel.", "Distance prescription, thin lenses."),
            tuple(warnings),
        )
