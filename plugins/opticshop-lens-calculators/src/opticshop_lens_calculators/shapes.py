"""Powers and prisms as calculators take and give them."""

from __future__ import annotations

from typing import Self

from pydantic import model_validator
from pydantic_core import PydanticCustomError

from opticshop.optics import Prism, SpheroCylinder, transpose
from opticshop.plugin_api import CalculatorInputs, CalculatorOutputs, Quantity

from .fields import CylinderForm, EyeName, eye_named

Triple = tuple[float, float, float]


class PowerIn(CalculatorInputs):
    """A sphero-cylindrical power. A cylinder without an axis is refused, so that no axis is ever guessed."""

    sphere_dpt: float = Quantity.dioptre("Sphere", ge=-40, le=40, example=-3.0)
    cylinder_dpt: float = Quantity.dioptre(
        "Cylinder, of either sign; left out for a sphere", ge=-20, le=20, example=-1.25, default=0.0
    )
    axis_deg: float | None = Quantity.degree(
        "Axis in TABO notation, 0 being read as 180; left out only without a cylinder",
        ge=0,
        le=180,
        example=30.0,
        default=None,
    )

    @model_validator(mode="after")
    def _cylinder_has_an_axis(self) -> Self:
        if self.cylinder_dpt and self.axis_deg is None:
            raise PydanticCustomError("axis_missing", "A cylinder needs its axis")
        return self

    @property
    def axis_written_deg(self) -> float:
        """The axis in (0, 180]; 180 for a sphere."""
        return (self.axis_deg or 180.0) if self.cylinder_dpt else 180.0

    @property
    def triple(self) -> Triple:
        return self.sphere_dpt, self.cylinder_dpt, self.axis_written_deg

    @property
    def power(self) -> SpheroCylinder:
        return SpheroCylinder(*self.triple)


POWER_COLUMNS = ("sphere_dpt", "cylinder_dpt", "axis_written_deg")


class PowerOut(CalculatorOutputs):
    """A power, unrounded."""

    sphere_dpt: float = Quantity.dioptre("Sphere")
    cylinder_dpt: float = Quantity.dioptre("Cylinder")
    axis_deg: float = Quantity.degree("Axis, above 0 and up to 180; 180, without meaning, for a sphere")

    @classmethod
    def of(cls, power: SpheroCylinder | Triple, form: CylinderForm | None = None) -> Self:
        """In the cylinder sign asked for, or as it comes."""
        sphere, cylinder, axis = power.triple if isinstance(power, SpheroCylinder) else power
        if (form == "minus" and cylinder > 0) or (form == "plus" and cylinder < 0):
            sphere, cylinder, axis = transpose(sphere, cylinder, axis)
        return cls(sphere_dpt=sphere, cylinder_dpt=cylinder, axis_deg=axis)


class EyePrismOut(CalculatorOutputs):
    """The prism of one lens, by magnitude and base and in the words in and up."""

    prism_pdpt: float = Quantity.prism_dioptre("Magnitude")
    base_deg: float | None = Quantity.degree("Base from 0 up to, not including, 360; null without prism")
    base_in_pdpt: float = Quantity.prism_dioptre("Base in; negative is base out")
    base_up_pdpt: float = Quantity.prism_dioptre("Base up; negative is base down")

    @classmethod
    def of(cls, prism: Prism, eye: EyeName) -> Self:
        return cls(
            prism_pdpt=prism.magnitude_pdpt,
            base_deg=prism.base_deg,
            base_in_pdpt=prism.base_in_pdpt(eye_named(eye)),
            base_up_pdpt=prism.base_up_pdpt,
        )

    @classmethod
    def of_figures(cls, magnitude: float, base: float, x: float, y: float, nasal_sign: float) -> Self:
        """From columns: the base of no prism comes as 0 and goes as null."""
        return cls(
            prism_pdpt=magnitude,
            base_deg=base if magnitude else None,
            base_in_pdpt=x * nasal_sign + 0.0,
            base_up_pdpt=y,
        )
