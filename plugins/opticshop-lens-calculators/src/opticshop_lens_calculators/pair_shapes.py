"""What goes into and comes out of the computation of a whole pair of spectacles."""

from __future__ import annotations

from typing import Self

from opticshop.optics import (
    DEFAULT_LIMITS,
    BoxedFrame,
    DispensingLimits,
    EyeInput,
    EyeResult,
    FrameInput,
    LensInput,
    Outline,
    Prism,
)
from opticshop.plugin_api import CalculatorInputs, CalculatorOutputs, InvalidInputs, Quantity

from .fields import (
    EyeName,
    abbe_field,
    choice,
    density_field,
    eye_named,
    front_power_field,
    in_field,
    index_field,
    minimum_centre_field,
    minimum_edge_field,
    name_of,
    part,
    series,
    up_field,
)
from .lens_shapes import MOST_RADII, AngleDeg, RadiusMm
from .shapes import EyePrismOut, PowerIn, PowerOut


class EyeIn(PowerIn):
    """One eye as prescribed and measured."""

    base_in_pdpt: float = Quantity.prism_dioptre(
        "Prescribed prism, base in; negative is base out", ge=-20, le=20, example=0.0, default=0.0
    )
    base_up_pdpt: float = Quantity.prism_dioptre(
        "Prescribed prism, base up; negative is base down", ge=-20, le=20, example=0.0, default=0.0
    )
    vertex_tested_mm: float | None = Quantity.mm(
        "Vertex distance at the test; left out when not measured", ge=0, le=40, example=12.0, default=None
    )
    vertex_worn_mm: float | None = Quantity.mm(
        "Vertex distance of the frame as worn; left out when not measured", ge=0, le=40, example=12.0, default=None
    )
    mono_pd_mm: float | None = Quantity.mm(
        "Monocular PD; left out when not measured", ge=15, le=50, example=31.5, default=None
    )
    height_mm: float | None = Quantity.mm(
        "Height of the centration point above the lowest tangent of the box; left out when not measured",
        ge=0,
        le=90,
        example=21.0,
        default=None,
    )
    centre_shift_in_mm: float = in_field("Optical centre moved off the centration point on purpose", 0.0, default=0.0)
    centre_shift_up_mm: float = up_field("Optical centre moved off the centration point on purpose", 0.0, default=0.0)

    def eye_input(self, eye: EyeName) -> EyeInput:
        side = eye_named(eye)
        return EyeInput(
            eye=side,
            power=self.power,
            prism=Prism.for_eye(side, base_in_pdpt=self.base_in_pdpt, base_up_pdpt=self.base_up_pdpt),
            vertex_tested_mm=self.vertex_tested_mm,
            vertex_worn_mm=self.vertex_worn_mm,
            mono_pd_mm=self.mono_pd_mm,
            height_mm=self.height_mm,
            centre_shift_in_mm=self.centre_shift_in_mm,
            centre_shift_up_mm=self.centre_shift_up_mm,
        )


class FrameIn(CalculatorInputs):
    """The frame by the boxing system, traced or not, and how it is worn."""

    a_mm: float = Quantity.mm("Boxed width of a lens", ge=20, le=90, example=52.0)
    b_mm: float = Quantity.mm("Boxed height", ge=10, le=90, example=36.0)
    dbl_mm: float = Quantity.mm("Distance between the lenses", ge=5, le=40, example=18.0)
    ed_mm: float | None = Quantity.mm(
        "Effective diameter; left out when not measured", ge=20, le=120, example=55.0, default=None
    )
    right_radii_mm: tuple[RadiusMm, ...] | None = series(
        "mm",
        "Traced radii of the RIGHT lens seen from the front, counter-clockwise from the examiner's right; the left "
        "lens is its mirror image; left out: a superellipse is assumed",
        default=None,
        min_length=8,
        max_length=MOST_RADII,
    )
    right_angles_deg: tuple[AngleDeg, ...] | None = series(
        "°",
        "Angles of the radii, rising; left out for equal angles",
        default=None,
        min_length=8,
        max_length=MOST_RADII,
    )
    panto_deg: float | None = Quantity.degree(
        "Pantoscopic tilt as worn; left out when not measured", ge=-30, le=30, example=8.0, default=None
    )
    wrap_deg: float | None = Quantity.degree(
        "Face-form angle of each lens; left out when not measured", ge=-30, le=35, example=5.0, default=None
    )

    @property
    def frame_input(self) -> FrameInput:
        outline = None
        if self.right_radii_mm is not None:
            angles = None if self.right_angles_deg is None else list(self.right_angles_deg)
            outline = Outline.from_radii(list(self.right_radii_mm), angles)
        elif self.right_angles_deg is not None:
            raise InvalidInputs("Angles need their radii.", field="frame")
        boxed = BoxedFrame(a_mm=self.a_mm, b_mm=self.b_mm, dbl_mm=self.dbl_mm, ed_mm=self.ed_mm)
        return FrameInput(boxed=boxed, outline=outline, panto_deg=self.panto_deg, wrap_deg=self.wrap_deg)


class LensIn(CalculatorInputs):
    """Material, blank and what the lens must keep. Positions of the blank's parts are from its optical centre."""

    index: float = index_field()
    abbe: float = abbe_field()
    density_g_cm3: float = density_field()
    diameter_mm: float = Quantity.mm("Diameter of the blank", ge=20, le=120, example=70.0)
    front_power_dpt: float = front_power_field()
    minimum_centre_mm: float = minimum_centre_field()
    minimum_edge_mm: float = minimum_edge_field()
    cutting_margin_mm: float = Quantity.mm("What the blank must leave all round", ge=0, le=10, example=1.0, default=0.0)
    blank_allowance_mm: float = Quantity.mm(
        "Allowance on the diameter by rule of thumb", ge=0, le=20, example=2.0, default=0.0
    )
    blank_in_mm: float = in_field("Middle of the blank", 0.0, default=0.0)
    blank_up_mm: float = up_field("Middle of the blank", 0.0, default=0.0)
    usable_diameter_mm: float | None = Quantity.mm(
        "Diameter of the usable circle; left out: the whole blank", ge=10, le=120, example=66.0, default=None
    )
    usable_in_mm: float | None = in_field("Middle of the usable circle; left out: that of the blank", 0.0, default=None)
    usable_up_mm: float | None = up_field("Middle of the usable circle; left out: that of the blank", 0.0, default=None)
    compensated: bool = choice("Whether the lens is made with tilt-compensated power", False, default=False)
    prism_by_decentration: bool = choice(
        "Whether prescribed prism comes from placing a finished lens instead of being ground in", False, default=False
    )

    @property
    def lens_input(self) -> LensInput:
        return LensInput(**self.model_dump())


class LimitsIn(CalculatorInputs):
    """From where on a warning is given: customs of the trade, not law (common practice, no source)."""

    vertex_matters_dpt: float = Quantity.dioptre(
        "Power from which the vertex distance matters",
        ge=0,
        le=40,
        example=DEFAULT_LIMITS.vertex_matters_dpt,
        default=DEFAULT_LIMITS.vertex_matters_dpt,
    )
    mono_pd_matters_dpt: float = Quantity.dioptre(
        "Power from which a monocular PD is wanted",
        ge=0,
        le=40,
        example=DEFAULT_LIMITS.mono_pd_matters_dpt,
        default=DEFAULT_LIMITS.mono_pd_matters_dpt,
    )
    anisometropia_dpt: float = Quantity.dioptre(
        "Difference of the eyes above which the reading level is looked at",
        ge=0,
        le=20,
        example=DEFAULT_LIMITS.anisometropia_dpt,
        default=DEFAULT_LIMITS.anisometropia_dpt,
    )
    reading_drop_mm: float = Quantity.mm(
        "Reading level below the optical centres",
        ge=0,
        le=30,
        example=DEFAULT_LIMITS.reading_drop_mm,
        default=DEFAULT_LIMITS.reading_drop_mm,
    )
    slab_pdpt: float = Quantity.prism_dioptre(
        "Imbalance at which slab-off usually begins",
        ge=0,
        le=20,
        example=DEFAULT_LIMITS.slab_pdpt,
        default=DEFAULT_LIMITS.slab_pdpt,
    )
    strong_wrap_deg: float = Quantity.degree(
        "Face-form angle from which an uncompensated lens is warned of",
        ge=0,
        le=35,
        example=DEFAULT_LIMITS.strong_wrap_deg,
        default=DEFAULT_LIMITS.strong_wrap_deg,
    )
    outline_mismatch_mm: float = Quantity.mm(
        "Difference between trace and boxed size above which a warning is given",
        ge=0,
        le=10,
        example=DEFAULT_LIMITS.outline_mismatch_mm,
        default=DEFAULT_LIMITS.outline_mismatch_mm,
    )
    gaze_mm: float = Quantity.mm(
        "Where colour fringes are taken, sideways from the optical centre",
        ge=0,
        le=30,
        example=DEFAULT_LIMITS.gaze_mm,
        default=DEFAULT_LIMITS.gaze_mm,
    )
    assumed_exponent: float = Quantity.number(
        "Exponent of the assumed superellipse when neither a trace nor ED is known",
        ge=2,
        le=200,
        example=DEFAULT_LIMITS.assumed_exponent,
        default=DEFAULT_LIMITS.assumed_exponent,
    )

    @property
    def limits(self) -> DispensingLimits:
        return DispensingLimits(**self.model_dump())


class EyeLensOut(CalculatorOutputs):
    """One lens, computed. Positions are from the boxed centre, nasal and up positive."""

    power_worn: PowerOut = part("Power at the worn vertex distance that acts as prescribed")
    power_to_order: PowerOut = part("That power compensated for tilt")
    lens_power: PowerOut = part("The one of the two that the lens is made with")
    tilt_residual: PowerOut = part("What tilt adds when the lens is not compensated")
    centration_in_mm: float = Quantity.mm("Centration point")
    centration_up_mm: float = Quantity.mm("Centration point")
    optical_centre_in_mm: float = Quantity.mm("Optical (or prism reference) centre")
    optical_centre_up_mm: float = Quantity.mm("Optical (or prism reference) centre")
    effective_diameter_mm: float = Quantity.mm("Effective diameter used")
    assumed_exponent: float | None = Quantity.number("Exponent of the assumed shape; null for a trace")
    minimum_blank_rule_mm: float = Quantity.mm("Minimum blank by rule of thumb, allowance included")
    minimum_blank_exact_mm: float = Quantity.mm("Minimum blank exactly, margin included")
    cuts_out: bool = choice("Whether the lens cuts out of the blank")
    clearance_mm: float = Quantity.mm("Least distance left to the rim; negative is missing")
    shift_in_mm: float | None = Quantity.mm("Smallest move that makes it cut out; null for none")
    shift_up_mm: float | None = Quantity.mm("Smallest move that makes it cut out; null for none")
    induced_prism: EyePrismOut = part("Prism at the centration point beyond the prescribed one")
    induced_if_shifted: EyePrismOut | None = part("The same after that move; null without one")
    back_surface: PowerOut = part("Back surface powers, negative for a concave surface")
    centre_thickness_mm: float = Quantity.mm("Centre thickness")
    thinnest_edge_mm: float = Quantity.mm("Thinnest place of the edge")
    thickest_edge_mm: float = Quantity.mm("Thickest place of the edge")
    weight_g: float = Quantity.gram("Weight of the cut lens")
    chromatic_pdpt: float = Quantity.prism_dioptre("Transverse chromatic aberration at the gaze of the limits")

    @classmethod
    def of(cls, found: EyeResult) -> Self:
        eye = name_of(found.eye)
        shift = found.shift_to_fit
        return cls(
            power_worn=PowerOut.of(found.power_worn),
            power_to_order=PowerOut.of(found.power_to_order),
            lens_power=PowerOut.of(found.lens_power),
            tilt_residual=PowerOut.of(found.tilt_residual),
            centration_in_mm=found.centration.in_mm,
            centration_up_mm=found.centration.up_mm,
            optical_centre_in_mm=found.optical_centre.in_mm,
            optical_centre_up_mm=found.optical_centre.up_mm,
            effective_diameter_mm=found.effective_diameter_mm,
            assumed_exponent=found.assumed_exponent,
            minimum_blank_rule_mm=found.minimum_blank_rule_mm,
            minimum_blank_exact_mm=found.minimum_blank_exact_mm,
            cuts_out=found.cuts_out,
            clearance_mm=found.clearance_mm,
            shift_in_mm=None if shift is None else shift.in_mm,
            shift_up_mm=None if shift is None else shift.up_mm,
            induced_prism=EyePrismOut.of(found.induced_prism, eye),
            induced_if_shifted=(
                None if found.induced_if_shifted is None else EyePrismOut.of(found.induced_if_shifted, eye)
            ),
            back_surface=PowerOut.of(found.lens.back),
            centre_thickness_mm=found.centre_thickness_mm,
            thinnest_edge_mm=found.thinnest_edge_mm,
            thickest_edge_mm=found.thickest_edge_mm,
            weight_g=found.weight_g,
            chromatic_pdpt=found.chromatic_pdpt,
        )
