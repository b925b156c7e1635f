"""The outline of a lens as calculators take it: traced, or a superellipse of a boxed size."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from opticshop.optics import Outline, superellipse_exponent
from opticshop.optics.boxing import SIZE_SLACK_MM
from opticshop.plugin_api import CalculatorInputs, InvalidInputs, Quantity

from .fields import series

RadiusMm = Annotated[float, Field(gt=0, le=100)]
AngleDeg = Annotated[float, Field(ge=0, lt=360)]

MOST_RADII = 3600
_POINTS = 1440
"""Enough that the polygon and the superellipse differ by less than 0.001 mm in every size."""
OVAL_TRACE = (26.0, 24.5, 22.0, 20.0, 19.0, 20.0, 22.0, 24.5, 26.0, 24.5, 22.0, 20.0, 19.0, 20.0, 22.0, 24.5)
"""An invented trace of sixteen radii."""

BOXED_SHAPE = {"a_mm": 52.0, "b_mm": 38.0, "ed_mm": 55.0}


class OutlineIn(CalculatorInputs):
    """The shape of this eye's lens seen from the front: radii of a trace, or boxed sizes with ED or an exponent."""

    radii_mm: tuple[RadiusMm, ...] | None = series(
        "mm",
        "Traced radii about any inner point, counter-clockwise from the examiner's right, at equal angles unless "
        "angles are given; left out when boxed sizes are given",
        OVAL_TRACE,
        default=None,
        min_length=8,
        max_length=MOST_RADII,
    )
    angles_deg: tuple[AngleDeg, ...] | None = series(
        "°",
        "Angles of the radii, rising; left out for equal angles",
        default=None,
        min_length=8,
        max_length=MOST_RADII,
    )
    a_mm: float | None = Quantity.mm("Boxed width, without a trace", ge=20, le=90, example=52.0, default=None)
    b_mm: float | None = Quantity.mm("Boxed height, without a trace", ge=10, le=90, example=38.0, default=None)
    ed_mm: float | None = Quantity.mm(
        "Effective diameter, which decides how square the superellipse is", ge=20, le=120, example=55.0, default=None
    )
    exponent: float | None = Quantity.number(
        "Exponent of the superellipse in place of ED: 2 is an ellipse, a large one nearly the box",
        ge=1,
        le=200,
        example=3.0,
        default=None,
    )

    @property
    def is_traced(self) -> bool:
        return self.radii_mm is not None

    @property
    def assumptions(self) -> tuple[str, ...]:
        if self.is_traced:
            return ("The trace is that of this eye's lens, seen from the front.",)
        return ("Without a trace the shape is taken as a superellipse of the boxed size.",)

    @property
    def outline(self) -> Outline:
        """The outline, its boxed centre at the origin. Raises InvalidInputs or an OpticsError."""
        sizes = (self.a_mm, self.b_mm, self.ed_mm, self.exponent)
        if self.radii_mm is not None:
            if any(size is not None for size in sizes):
                raise InvalidInputs("Give either a trace or boxed sizes, not both.", field="outline")
            return Outline.from_radii(list(self.radii_mm), None if self.angles_deg is None else list(self.angles_deg))
        if self.a_mm is None or self.b_mm is None or (self.ed_mm is None) == (self.exponent is None):
            raise InvalidInputs("Give traced radii, or A and B with either ED or an exponent.", field="outline")
        return Outline.superellipse(self.a_mm, self.b_mm, self.superellipse_exponent, points=_POINTS)

    @property
    def superellipse_exponent(self) -> float:
        """The exponent given, or that of the effective diameter. Raises InvalidInputs for an impossible ED."""
        assert self.a_mm is not None
        assert self.b_mm is not None
        if self.ed_mm is None:
            assert self.exponent is not None
            return self.exponent
        smallest, largest = max(self.a_mm, self.b_mm), (self.a_mm**2 + self.b_mm**2) ** 0.5
        if not smallest - SIZE_SLACK_MM <= self.ed_mm <= largest + SIZE_SLACK_MM:
            message = f"The effective diameter of this box lies between {smallest:.2f} and {largest:.2f} mm."
            raise InvalidInputs(message, field="outline")
        return superellipse_exponent(self.a_mm, self.b_mm, self.ed_mm)
