"""The same lens in several materials: thickness, weight and colour fringes side by side."""

from __future__ import annotations

from typing import Any

from opticshop.optics import (
    MATERIAL_BY_KEY,
    MATERIALS,
    TOOL_INDEX,
    Confidence,
    Material,
    rank_materials,
)
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    InvalidInputs,
    Quantity,
    WorkedExample,
)

from .cautions import COMPUTED, warning
from .fields import (
    EyeName,
    abbe_field,
    density_field,
    eye_field,
    eye_named,
    in_field,
    index_field,
    minimum_centre_field,
    minimum_edge_field,
    part,
    up_field,
)
from .lens_shapes import BOXED_SHAPE, OutlineIn
from .shapes import PowerIn

_KEYS = ", ".join(MATERIAL_BY_KEY)
_UNCONFIRMED = warning(
    "material_figures_unconfirmed",
    "Figures of listed materials come from published pages, not from current data sheets: confirm them first.",
)


class OwnMaterialIn(CalculatorInputs):
    """A material by its data sheet."""

    name: str = part("Name of the material", "house blank 1.60", min_length=1, max_length=80)
    index: float = index_field()
    abbe: float = abbe_field()
    density_g_cm3: float = density_field()

    @property
    def material(self) -> Material:
        source = "given by the caller"
        return Material(self.name, self.name, self.index, self.abbe, self.density_g_cm3, source, Confidence.CONVENTION)


class MaterialChoiceOut(CalculatorOutputs):
    """One material and the lens it makes. Ranks begin with 1 for the best; equal values share a rank."""

    material: str = part("Key of the listed material, or the name given")
    index: float = Quantity.number("Refractive index")
    abbe: float = Quantity.number("Abbe number")
    density_g_cm3: float = Quantity.of("g/cm³", "Density")
    source: str = part("Where these figures come from")
    confidence: str = part("How well they are known")
    centre_thickness_mm: float = Quantity.mm("Centre thickness")
    thinnest_edge_mm: float = Quantity.mm("Thinnest place of the edge")
    thickest_edge_mm: float = Quantity.mm("Thickest place of the edge")
    weight_g: float = Quantity.gram("Weight of the cut lens")
    chromatic_pdpt: float = Quantity.prism_dioptre("Transverse chromatic aberration at the gaze asked for")
    thickness_rank: int = Quantity.number("Rank by the greater of centre and edge")
    weight_rank: int = Quantity.number("Rank by weight")
    abbe_rank: int = Quantity.number("Rank by Abbe number")


class ImpossibleOut(CalculatorOutputs):
    """A material in which this lens cannot be made."""

    material: str = part("Key of the listed material, or the name given")
    reason: str = part("Why not")


class MaterialComparison(Calculator[Any, Any]):
    """One prescription in one shape on one base curve, made in each material."""

    name = "material-comparison"
    title = "Comparison of lens materials"
    version = "1.0"
    topic = "thickness and weight"
    source = (
        "Thickness by exact sagittas, weight by integration, P/V for colour fringes; material figures: High-index lens "
        "materials: past, present, future, Vision Care Product News, "
        "https://www.visioncareproducts.com/high-index-lens-materials-past-present-future/"
    )

    class Inputs(PowerIn):
        eye: EyeName = eye_field()
        outline: OutlineIn = part("The lens shape", BOXED_SHAPE)
        in_mm: float = in_field("Optical centre from the boxed centre")
        up_mm: float = up_field("Optical centre from the boxed centre", default=0.0)
        base_curve_dpt: float = Quantity.dioptre(
            "Marked front curve, the same for all materials", ge=0, le=20, example=3.0
        )
        clock_index: float = Quantity.number(
            "Index that the curve is marked for", ge=1.3, le=2.1, example=TOOL_INDEX, default=TOOL_INDEX
        )
        minimum_centre_mm: float = minimum_centre_field()
        minimum_edge_mm: float = minimum_edge_field()
        gaze_mm: float = Quantity.mm(
            "Where colour fringes are taken, sideways from the optical centre", ge=0, le=30, example=10.0, default=10.0
        )
        material_keys: tuple[str, ...] = part(
            f"Listed materials to compare ({_KEYS}); left out: all of them, unless materials of your own are given",
            ["adc-1.50", "thiourethane-1.60-v41", "thiourethane-1.67-d135"],
            default=(),
            max_length=len(MATERIALS),
        )
        own_materials: tuple[OwnMaterialIn, ...] = part(
            "Materials by their data sheets",
            [{"name": "house blank 1.60", "index": 1.6, "abbe": 41.0, "density_g_cm3": 1.3}],
            default=(),
            max_length=12,
        )

        @property
        def materials(self) -> tuple[Material, ...]:
            for key in self.material_keys:
                if key not in MATERIAL_BY_KEY:
                    raise InvalidInputs(f"{key!r} is none of {_KEYS}.", field="material_keys")
            listed = tuple(MATERIAL_BY_KEY[key] for key in self.material_keys)
            own = tuple(one.material for one in self.own_materials)
            return listed + own or MATERIALS

    class Outputs(CalculatorOutputs):
        choices: tuple[MaterialChoiceOut, ...] = part("Thinnest first, then lighter, then higher Abbe number")
        impossible: tuple[ImpossibleOut, ...] = part("Materials in which no such lens exists")

    worked_examples = (
        WorkedExample(
            inputs={
                "sphere_dpt": -5,
                "eye": "right",
                "outline": {"a_mm": 50, "b_mm": 36, "exponent": 2},
                "in_mm": 3,
                "base_curve_dpt": 3,
                "clock_index": 1.6,
                "minimum_centre_mm": 1.5,
                "minimum_edge_mm": 1,
                "own_materials": [{"name": "n 1.6", "index": 1.6, "abbe": 41, "density_g_cm3": 1.3}],
            },
            outputs={
                "choices": [{"thickest_edge_mm": 4.959189, "thinnest_edge_mm": 2.840518, "weight_g": 4.693602}],
                "impossible": [],
            },
            source=COMPUTED,
            tolerance=0.001,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        ranking = rank_materials(
            inputs.power,
            inputs.outline.outline,
            inputs.materials,
            base_curve_dpt=inputs.base_curve_dpt,
            minimum_centre_mm=inputs.minimum_centre_mm,
            minimum_edge_mm=inputs.minimum_edge_mm,
            centre_x_mm=inputs.in_mm * eye_named(inputs.eye).nasal_sign,
            centre_y_mm=inputs.up_mm,
            gaze_mm=inputs.gaze_mm,
            clock_index=inputs.clock_index,
        )
        outputs = self.Outputs(
            choices=tuple(
                MaterialChoiceOut(
                    material=one.material.key,
                    index=one.material.index,
                    abbe=one.material.abbe,
                    density_g_cm3=one.material.density_g_cm3,
                    source=one.material.source,
                    confidence=one.material.confidence.value,
                    centre_thickness_mm=one.lens.centre_thickness_mm,
                    thinnest_edge_mm=one.thinnest_edge_mm,
                    thickest_edge_mm=one.thickest_edge_mm,
                    weight_g=one.weight_g,
                    chromatic_pdpt=one.chromatic_pdpt,
                    thickness_rank=one.thickness_rank,
                    weight_rank=one.weight_rank,
                    abbe_rank=one.abbe_rank,
                )
                for one in ranking.choices
            ),
            impossible=tuple(
                ImpossibleOut(material=material.key, reason=error.message) for material, error in ranking.impossible
            ),
        )
        listed = inputs.material_keys or not inputs.own_materials
        return CalculatorResult(
            outputs,
            (*inputs.outline.assumptions, "The same marked front curve for all; no bevel; d-line figures."),
            (_UNCONFIRMED,) if listed else (),
        )
