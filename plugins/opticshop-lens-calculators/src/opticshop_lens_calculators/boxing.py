"""The boxing system: decentration of an optical centre in a frame, and the blank by rule of thumb."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    BoxedFrame,
    Decentration,
    decentration_in_binocular_mm,
    decentration_in_mm,
    decentration_up_mm,
    minimum_blank_mm,
)
from opticshop.optics.boxing import SIZE_SLACK_MM
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    InvalidInputs,
    Quantity,
    WorkedExample,
)

from .cautions import ARITHMETIC, warning

TOPIC = "centration"
_QUIZ = "Free dispensing-optician course quiz answers, http://www.harisingh.com/newsOpticalPractice.htm"
_BINOCULAR = warning("binocular_pd_halved", "The binocular PD was halved: the face is taken to have equal halves.")


class CentrationIn(CalculatorInputs):
    """A frame by the boxing system and where one eye looks through it."""

    a_mm: float = Quantity.mm("Boxed width of a lens", ge=20, le=90, example=52.0)
    dbl_mm: float = Quantity.mm("Distance between the lenses", ge=5, le=40, example=18.0)
    mono_pd_mm: float | None = Quantity.mm(
        "Monocular PD; left out when only the binocular one is known", ge=15, le=50, example=31.5, default=None
    )
    binocular_pd_mm: float | None = Quantity.mm(
        "Binocular PD, halved; left out when the monocular one is known", ge=30, le=100, example=64.0, default=None
    )
    b_mm: float | None = Quantity.mm("Boxed height; needed with a height", ge=10, le=90, example=36.0, default=None)
    height_mm: float | None = Quantity.mm(
        "Height of the optical centre above the lowest tangent of the box; left out: on the boxed-centre line",
        ge=0,
        le=90,
        example=21.0,
        default=None,
    )

    @property
    def decentration(self) -> Decentration:
        """From the boxed centre. Raises InvalidInputs unless there is one PD, and B where there is a height."""
        if (self.mono_pd_mm is None) == (self.binocular_pd_mm is None):
            raise InvalidInputs("Give either the monocular or the binocular PD.", field="mono_pd_mm")
        if self.height_mm is None:
            up = 0.0
        elif self.b_mm is None:
            raise InvalidInputs("A height needs the boxed height B.", field="b_mm")
        elif self.height_mm > self.b_mm:
            raise InvalidInputs("The height lies above the box.", field="height_mm")
        else:
            up = decentration_up_mm(self.height_mm, self.b_mm)
        if self.mono_pd_mm is not None:
            return Decentration(decentration_in_mm(self.a_mm, self.dbl_mm, self.mono_pd_mm), up)
        assert self.binocular_pd_mm is not None
        return Decentration(decentration_in_binocular_mm(self.a_mm, self.dbl_mm, self.binocular_pd_mm), up)

    @property
    def assumptions(self) -> tuple[str, ...]:
        level = () if self.height_mm is not None else ("The optical centre lies on the boxed-centre line.",)
        return ("Boxed sizes after ISO 8624.", *level)


class BoxedDecentration(Calculator[Any, Any]):
    """How far the optical centre lies from the boxed centre, for one eye."""

    name = "boxed-decentration"
    title = "Decentration in a frame"
    version = "1.0"
    topic = TOPIC
    source = f"(A + DBL)/2 - monocular PD, height - B/2, boxing system of ISO 8624; {_QUIZ}"

    class Inputs(CentrationIn):
        pass

    class Outputs(CalculatorOutputs):
        boxed_centre_distance_mm: float = Quantity.mm("A + DBL, the distance between the boxed centres")
        in_mm: float = Quantity.mm("Decentration, nasal positive")
        up_mm: float = Quantity.mm("Decentration, up positive")
        distance_mm: float = Quantity.mm("How far the optical centre lies from the boxed centre")

    worked_examples = (
        WorkedExample(
            inputs={"a_mm": 54, "dbl_mm": 16, "binocular_pd_mm": 62},
            outputs={"in_mm": 4, "up_mm": 0},
            source=_QUIZ,
        ),
        WorkedExample(
            inputs={"a_mm": 52, "dbl_mm": 18, "mono_pd_mm": 31.5, "b_mm": 36, "height_mm": 21},
            outputs={"in_mm": 3.5, "up_mm": 3},
            source=ARITHMETIC,
        ),
    )

    def example(self) -> Inputs:
        return self.Inputs.model_validate(dict(self.worked_examples[1].inputs))

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        place = inputs.decentration
        outputs = self.Outputs(
            boxed_centre_distance_mm=inputs.a_mm + inputs.dbl_mm,
            in_mm=place.in_mm,
            up_mm=place.up_mm,
            distance_mm=place.distance_mm,
        )
        return CalculatorResult(outputs, inputs.assumptions, () if inputs.mono_pd_mm is not None else (_BINOCULAR,))


class MinimumBlankRule(Calculator[Any, Any]):
    """The blank diameter to look for, by the rule that never asks for too little."""

    name = "minimum-blank-rule"
    title = "Minimum blank size by rule of thumb"
    version = "1.0"
    topic = TOPIC
    source = f"ED + 2 x decentration + allowance (common practice); {_QUIZ}"

    class Inputs(CentrationIn):
        ed_mm: float = Quantity.mm("Effective diameter", ge=20, le=120, example=55.0)
        allowance_mm: float = Quantity.mm(
            "Allowance added to the diameter; often 2 mm for edging "
            "(https://brainscape.com/flashcards/unit-6-7-dispensing-and-fabrication-13778781/packs/21400064)",
            ge=0,
            le=20,
            example=2.0,
            default=0.0,
        )

    class Outputs(CalculatorOutputs):
        diameter_mm: float = Quantity.mm("Least diameter of a blank with its optical centre in its middle")
        in_mm: float = Quantity.mm("Decentration, nasal positive")
        up_mm: float = Quantity.mm("Decentration, up positive")

    worked_examples = (
        WorkedExample(
            inputs={"a_mm": 58, "dbl_mm": 18, "binocular_pd_mm": 68, "ed_mm": 60},
            outputs={"diameter_mm": 68},
            source=f"{_QUIZ} (theoretical value, without the 2 mm)",
        ),
        WorkedExample(
            inputs={"a_mm": 52, "dbl_mm": 18, "mono_pd_mm": 31.5, "b_mm": 36, "height_mm": 21, "ed_mm": 55},
            outputs={"diameter_mm": 64.219544},
            source=ARITHMETIC,
            tolerance=1e-5,
        ),
    )

    def example(self) -> Inputs:
        return self.Inputs.model_validate({**self.worked_examples[1].inputs, "allowance_mm": 2.0})

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        if inputs.b_mm is not None:
            BoxedFrame(inputs.a_mm, inputs.b_mm, inputs.dbl_mm, inputs.ed_mm)
        elif inputs.ed_mm < inputs.a_mm - SIZE_SLACK_MM:
            raise InvalidInputs("The effective diameter is never less than the boxed width.", field="ed_mm")
        place = inputs.decentration
        outputs = self.Outputs(
            diameter_mm=minimum_blank_mm(inputs.ed_mm, place.in_mm, place.up_mm, inputs.allowance_mm),
            in_mm=place.in_mm,
            up_mm=place.up_mm,
        )
        return CalculatorResult(
            outputs,
            (*inputs.assumptions, "An upper bound: the exact cut-out of the traced outline may need less."),
            () if inputs.mono_pd_mm is not None else (_BINOCULAR,),
        )
