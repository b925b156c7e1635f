"""Centre and edge thickness of round lenses and of lenses cut to a shape."""

from __future__ import annotations

import math
from typing import Any

from opticshop.optics import Decentration, MeniscusLens, Prism, edge_profile, lens_for_outline, round_lens
from opticshop.plugin_api import (
    Calculator,
    CalculatorOutputs,
    CalculatorResult,
    Quantity,
    WorkedExample,
)

from .cautions import COMPUTED, PRISM
from .fields import (
    EyeName,
    eye_field,
    eye_named,
    front_power_field,
    in_field,
    index_field,
    minimum_centre_field,
    minimum_edge_field,
    part,
    up_field,
)
from .lens_shapes import BOXED_SHAPE, OutlineIn
from .shapes import PowerIn, PowerOut

TOPIC = "thickness and weight"
_SOURCE = (
    "e = tc - s1 + s2 with exact sagittas, the back surface from the back vertex power at the final centre thickness; "
    "D. Meister, Methods for estimating lens thickness (1997), https://ar.scribd.com/document/50679418/Lens-thickness"
)
_NO_BEVEL = "Spherical front, spherical or toric back, thickness parallel to the axis, no bevel."


class MeniscusIn(PowerIn):
    """A lens by its back vertex power, its front surface, its index and what it must keep."""

    front_power_dpt: float = front_power_field()
    index: float = index_field()
    minimum_centre_mm: float = minimum_centre_field()
    minimum_edge_mm: float = minimum_edge_field()


class RoundLensThickness(Calculator[Any, Any]):
    """The thinnest round uncut lens that keeps both minima."""

    name = "round-lens-thickness"
    title = "Thickness of a round lens"
    version = "1.0"
    topic = TOPIC
    source = _SOURCE

    class Inputs(MeniscusIn):
        diameter_mm: float = Quantity.mm("Diameter", ge=10, le=120, example=65.0)

    class Outputs(CalculatorOutputs):
        centre_thickness_mm: float = Quantity.mm("Centre thickness")
        edge_along_axis_mm: float = Quantity.mm("Edge thickness along the cylinder axis")
        edge_across_axis_mm: float = Quantity.mm("Edge thickness at right angles to it")
        thinnest_edge_mm: float = Quantity.mm("The lesser of the two")
        thickest_edge_mm: float = Quantity.mm("The greater of the two")
        back_surface: PowerOut = part("Back surface powers, negative for a concave surface")

    worked_examples = (
        WorkedExample(
            inputs={
                "sphere_dpt": -6,
                "front_power_dpt": 2.5,
                "index": 1.6,
                "minimum_centre_mm": 1.5,
                "minimum_edge_mm": 1,
                "diameter_mm": 65,
            },
            outputs={
                "centre_thickness_mm": 1.5,
                "thickest_edge_mm": 7.22232,
                "back_surface": {"sphere_dpt": -8.505873},
            },
            source=COMPUTED,
            tolerance=1e-5,
        ),
        WorkedExample(
            inputs={
                "sphere_dpt": 4,
                "front_power_dpt": 6.5,
                "index": 1.498,
                "minimum_centre_mm": 1.5,
                "minimum_edge_mm": 1,
                "diameter_mm": 65,
            },
            outputs={"centre_thickness_mm": 5.396791, "thinnest_edge_mm": 1},
            source=COMPUTED,
            tolerance=1e-5,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        lens = round_lens(
            inputs.power,
            inputs.diameter_mm,
            front_power_dpt=inputs.front_power_dpt,
            index=inputs.index,
            minimum_centre_mm=inputs.minimum_centre_mm,
            minimum_edge_mm=inputs.minimum_edge_mm,
        )
        radius, axis = 0.5 * inputs.diameter_mm, math.radians(inputs.axis_written_deg)
        x, y = radius * math.cos(axis), radius * math.sin(axis)
        along, across = lens.thickness_mm(x, y), lens.thickness_mm(-y, x)
        outputs = self.Outputs(
            centre_thickness_mm=lens.centre_thickness_mm,
            edge_along_axis_mm=along,
            edge_across_axis_mm=across,
            thinnest_edge_mm=min(along, across),
            thickest_edge_mm=max(along, across),
            back_surface=PowerOut.of(lens.back),
        )
        return CalculatorResult(outputs, ("The optical centre lies in the middle.", _NO_BEVEL))


class PlacedLensIn(MeniscusIn):
    """A lens cut to a shape, its optical centre placed in it, a prescribed prism ground in."""

    eye: EyeName = eye_field()
    outline: OutlineIn = part("The lens shape", BOXED_SHAPE)
    in_mm: float = in_field("Optical centre from the boxed centre")
    up_mm: float = up_field("Optical centre from the boxed centre", default=0.0)
    base_in_pdpt: float = Quantity.prism_dioptre(
        "Ground prism, base in; negative is base out", ge=-20, le=20, example=0.0, default=0.0
    )
    base_up_pdpt: float = Quantity.prism_dioptre(
        "Ground prism, base up; negative is base down", ge=-20, le=20, example=0.0, default=0.0
    )

    @property
    def prism(self) -> Prism:
        return Prism.for_eye(eye_named(self.eye), base_in_pdpt=self.base_in_pdpt, base_up_pdpt=self.base_up_pdpt)

    @property
    def place(self) -> dict[str, float]:
        """The optical centre in the outline's frame, as the optics core takes it."""
        where = Decentration(self.in_mm, self.up_mm)
        return {"centre_x_mm": where.x_mm(eye_named(self.eye)), "centre_y_mm": where.up_mm}


class EdgeAtOut(CalculatorOutputs):
    """Edge thickness at one place of the shape."""

    thickness_mm: float = Quantity.mm("Edge thickness")
    in_mm: float = Quantity.mm("Place from the boxed centre, nasal positive")
    up_mm: float = Quantity.mm("Place from the boxed centre, up positive")


class CutLensThickness(Calculator[Any, Any]):
    """The thinnest lens that keeps its minima all round the shape, and its edge at the places people look at."""

    name = "cut-lens-thickness"
    title = "Thickness of a lens cut to its shape"
    version = "1.0"
    topic = TOPIC
    source = _SOURCE

    class Inputs(PlacedLensIn):
        pass

    class Outputs(CalculatorOutputs):
        centre_thickness_mm: float = Quantity.mm("Thickness at the optical (or prism reference) centre")
        thinnest: EdgeAtOut = part("Thinnest place of the edge")
        thickest: EdgeAtOut = part("Thickest place of the edge")
        nasal: EdgeAtOut = part("Most nasal place of the edge")
        temporal: EdgeAtOut = part("Most temporal place of the edge")
        top: EdgeAtOut = part("Highest place of the edge")
        bottom: EdgeAtOut = part("Lowest place of the edge")
        back_surface: PowerOut = part("Back surface powers, negative for a concave surface")

    worked_examples = (
        WorkedExample(
            inputs={
                "sphere_dpt": -5,
                "front_power_dpt": 3,
                "index": 1.6,
                "minimum_centre_mm": 1.5,
                "minimum_edge_mm": 1,
                "eye": "right",
                "outline": {"a_mm": 50, "b_mm": 36, "exponent": 2},
                "in_mm": 3,
            },
            outputs={"thickest": {"thickness_mm": 4.959189}, "thinnest": {"thickness_mm": 2.840518}},
            source=COMPUTED,
            tolerance=0.001,
        ),
        WorkedExample(
            inputs={
                "sphere_dpt": 4.5,
                "front_power_dpt": 7,
                "index": 1.498,
                "minimum_centre_mm": 1,
                "minimum_edge_mm": 1,
                "eye": "left",
                "outline": {"a_mm": 50, "b_mm": 38, "exponent": 2},
                "in_mm": 2.5,
            },
            outputs={"centre_thickness_mm": 4.506484, "thickest": {"thickness_mm": 2.925017}},
            source=COMPUTED,
            tolerance=0.001,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        outline = inputs.outline.outline
        lens: MeniscusLens = lens_for_outline(
            inputs.power,
            outline,
            front_power_dpt=inputs.front_power_dpt,
            index=inputs.index,
            minimum_centre_mm=inputs.minimum_centre_mm,
            minimum_edge_mm=inputs.minimum_edge_mm,
            prism=inputs.prism,
            **inputs.place,
        )
        edge = edge_profile(lens, outline, **inputs.place)
        nasal = edge.points_mm[:, 0] * eye_named(inputs.eye).nasal_sign
        height = edge.points_mm[:, 1]

        def at(index: Any) -> EdgeAtOut:
            where = int(index)
            return EdgeAtOut(
                thickness_mm=float(edge.thickness_mm[where]), in_mm=float(nasal[where]), up_mm=float(height[where])
            )

        outputs = self.Outputs(
            centre_thickness_mm=lens.centre_thickness_mm,
            thinnest=at(edge.thickness_mm.argmin()),
            thickest=at(edge.thickness_mm.argmax()),
            nasal=at(nasal.argmax()),
            temporal=at(nasal.argmin()),
            top=at(height.argmax()),
            bottom=at(height.argmin()),
            back_surface=PowerOut.of(lens.back),
        )
        return CalculatorResult(
            outputs,
            (*inputs.outline.assumptions, _NO_BEVEL),
            () if inputs.prism.is_zero else (PRISM,),
        )
