"""Near vision: near PD, where a segment goes, and the jump at its edge."""

from __future__ import annotations

from typing import Any

from opticshop.optics import ROTATION_CENTRE_MM, image_jump, near_inset_mm, segment_placement
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    InvalidInputs,
    Quantity,
    WorkedExample,
)

from .cautions import ARITHMETIC, COMPUTED

TOPIC = "near vision"
_QUIZ = "Free dispensing-optician course quiz answers, http://www.harisingh.com/newsOpticalPractice.htm"
_FLASHCARDS = (
    "Study flashcards OPT-1156 Ophthalmic Lens II, "
    "https://brainscape.com/flashcards/opt-1156-ophthalmic-lens-ii-unit-1-2261801/packs/4023756"
)


class NearCentration(Calculator[Any, Any]):
    """Where one eye looks through the lens when it looks at something near."""

    name = "near-centration"
    title = "Near PD and inset"
    version = "1.0"
    topic = TOPIC
    source = "i = PD/(1 + w (1/s - F)), Ellerbrock's form; computed from first principles"

    class Inputs(CalculatorInputs):
        mono_pd_mm: float = Quantity.mm("Monocular distance PD", ge=15, le=50, example=32.0)
        working_distance_mm: float = Quantity.mm(
            "Working distance from the spectacle plane", ge=100, le=2000, example=400.0
        )
        power_dpt: float = Quantity.dioptre(
            "Distance power in the horizontal meridian; 0 gives the plain geometry",
            ge=-30,
            le=20,
            example=0.0,
            default=0.0,
        )
        rotation_centre_mm: float = Quantity.mm(
            "Spectacle plane to the eye's centre of rotation, about 27 mm",
            ge=15,
            le=40,
            example=ROTATION_CENTRE_MM,
            default=ROTATION_CENTRE_MM,
        )

    class Outputs(CalculatorOutputs):
        inset_mm: float = Quantity.mm("How far nasally of the distance point the near point lies")
        mono_near_pd_mm: float = Quantity.mm("Monocular near PD, in the spectacle plane")

    worked_examples = (
        WorkedExample(
            inputs={"mono_pd_mm": 31, "working_distance_mm": 350, "power_dpt": 6},
            outputs={"inset_mm": 2.613175, "mono_near_pd_mm": 28.386825},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        inset = near_inset_mm(
            inputs.mono_pd_mm, inputs.working_distance_mm, inputs.power_dpt, inputs.rotation_centre_mm
        )
        outputs = self.Outputs(inset_mm=inset, mono_near_pd_mm=inputs.mono_pd_mm - inset)
        return CalculatorResult(outputs, ("Thin lens; the near object lies on the midline, straight ahead.",))


class SegmentPlacement(Calculator[Any, Any]):
    """Insets and height of a segment in the frame, for one eye."""

    name = "segment-placement"
    title = "Segment inset and height"
    version = "1.0"
    topic = TOPIC
    source = f"(A + DBL)/2 - PD, PD - near PD, segment height - B/2; {_QUIZ}"

    class Inputs(CalculatorInputs):
        a_mm: float = Quantity.mm("Boxed width of a lens", ge=20, le=90, example=52.0)
        dbl_mm: float = Quantity.mm("Distance between the lenses", ge=5, le=40, example=18.0)
        b_mm: float = Quantity.mm("Boxed height", ge=10, le=90, example=40.0)
        mono_pd_mm: float = Quantity.mm("Monocular distance PD", ge=15, le=50, example=32.0)
        mono_near_pd_mm: float = Quantity.mm("Monocular near PD", ge=15, le=50, example=30.0)
        segment_height_mm: float = Quantity.mm(
            "Upper edge of the segment above the lowest tangent of the box", ge=0, le=60, example=18.0
        )

    class Outputs(CalculatorOutputs):
        distance_inset_mm: float = Quantity.mm("Distance point from the boxed centre, nasal positive")
        segment_inset_mm: float = Quantity.mm("Segment from the distance point, nasal positive")
        total_inset_mm: float = Quantity.mm("Segment from the boxed centre, nasal positive")
        segment_raise_mm: float = Quantity.mm("Upper edge from the boxed-centre line; negative is a drop")

    worked_examples = (
        WorkedExample(
            inputs={
                "a_mm": 52,
                "dbl_mm": 18,
                "b_mm": 52,
                "mono_pd_mm": 32,
                "mono_near_pd_mm": 30,
                "segment_height_mm": 23,
            },
            outputs={"segment_raise_mm": -3},
            source=f"{_QUIZ} (B 52, segment height 23: 3 below)",
        ),
        WorkedExample(
            inputs={
                "a_mm": 52,
                "dbl_mm": 18,
                "b_mm": 40,
                "mono_pd_mm": 32,
                "mono_near_pd_mm": 30,
                "segment_height_mm": 18,
            },
            outputs={"distance_inset_mm": 3, "segment_inset_mm": 2, "total_inset_mm": 5, "segment_raise_mm": -2},
            source=ARITHMETIC,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        if inputs.segment_height_mm > inputs.b_mm:
            raise InvalidInputs("The segment lies above the box.", field="segment_height_mm")
        placed = segment_placement(
            inputs.a_mm,
            inputs.dbl_mm,
            inputs.b_mm,
            inputs.mono_pd_mm,
            inputs.mono_near_pd_mm,
            inputs.segment_height_mm,
        )
        outputs = self.Outputs(
            distance_inset_mm=placed.distance_inset_mm,
            segment_inset_mm=placed.segment_inset_mm,
            total_inset_mm=placed.total_inset_mm,
            segment_raise_mm=placed.segment_raise_mm,
        )
        return CalculatorResult(outputs, ("Boxed sizes after ISO 8624.",))


class ImageJump(Calculator[Any, Any]):
    """The sudden prism met as the eye passes the upper edge of a segment."""

    name = "image-jump"
    title = "Image jump of a segment"
    version = "1.0"
    topic = TOPIC
    source = f"Addition x distance in cm from the segment's upper edge to its optical centre; {_FLASHCARDS}"

    class Inputs(CalculatorInputs):
        addition_dpt: float = Quantity.dioptre("Addition", ge=0, le=6, example=2.25)
        top_to_centre_mm: float = Quantity.mm(
            "Upper edge down to the segment's optical centre; negative when the centre lies above",
            ge=-30,
            le=30,
            example=11.0,
        )

    class Outputs(CalculatorOutputs):
        jump_pdpt: float = Quantity.prism_dioptre("Jump, base down; negative is base up")

    worked_examples = (
        WorkedExample(
            inputs={"addition_dpt": 3, "top_to_centre_mm": 5},
            outputs={"jump_pdpt": 1.5},
            source=f"{_FLASHCARDS} (flat-top, 5 mm; 1.5)",
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        jump = image_jump(inputs.addition_dpt, inputs.top_to_centre_mm)
        return CalculatorResult(self.Outputs(jump_pdpt=jump), ("Thin lens; the jump does not depend on its power.",))
