"""Tints: density, category with its cautions for driving, absorbers behind one another, reflections."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from math import prod
from typing import Annotated, Any

from pydantic import Field

from opticshop.optics import (
    NIGHT_DRIVING_PERCENT,
    TINT_CATEGORIES,
    density,
    internal_transmittance,
    stacked_transmittance,
    suits_night_driving,
    surface_reflectance,
    tint_category,
    transmittance,
    uncoated_transmittance,
    welding_shade,
)
from opticshop.optics import TintCategory as Category
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    InvalidInputs,
    Quantity,
    WorkedExample,
)

from .cautions import COMPUTED, DRIVING, warning
from .fields import choice, index_field, part, series, thickness_field

TOPIC = "tints"
_DENSITY = "D = -log10 T; https://optowiki.info/glossary/optical-density/"
_CATEGORIES = (
    "ISO 12312-1:2013, confirmed by College of Optometrists guidance, https://guidance.college-optometrists.org/"
    "guidance-contents/knowledge-skills-and-performance-domain/examining-patients-who-drive/tints-and-driving/"
)
_CLAUSES = {category.number: category.band for category in TINT_CATEGORIES}
_LUMINOUS = "Luminous transmittance of the finished lens, coatings and every absorber together."

TransmittancePercent = Annotated[float, Field(gt=0, le=100)]


class TintDensity(Calculator[Any, Any]):
    """Optical density from transmittance, or transmittance from density."""

    name = "tint-density"
    title = "Optical density and transmittance"
    version = "1.0"
    topic = TOPIC
    source = f"{_DENSITY}; shade number N = 1 + (7/3) D"

    class Inputs(CalculatorInputs):
        transmittance_percent: float | None = Quantity.percent(
            "Transmittance; left out when the density is given", ge=0.0001, le=100, example=50.0, default=None
        )
        optical_density: float | None = Quantity.number(
            "Optical density; left out when the transmittance is given", ge=0, le=6, example=0.3, default=None
        )

    class Outputs(CalculatorOutputs):
        transmittance_percent: float = Quantity.percent("Transmittance")
        optical_density: float = Quantity.number("Optical density")
        shade_number: float = Quantity.number("Shade number of a welding filter of this density, unrounded")

    worked_examples = (
        WorkedExample(
            inputs={"transmittance_percent": 50},
            outputs={"optical_density": 0.3},
            source="http://cgrebel.com/2010/08/nd-filters/ (density 0.3 = half)",
        ),
        WorkedExample(
            inputs={"optical_density": 2},
            outputs={"transmittance_percent": 1},
            source="https://optowiki.info/glossary/optical-density/ (OD 2 = 1 %)",
            tolerance=1e-9,
        ),
    )

    def example(self) -> Inputs:
        return self.Inputs(transmittance_percent=50.0)

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        percent, dense = inputs.transmittance_percent, inputs.optical_density
        if percent is not None and dense is None:
            dense = density(percent / 100)
        elif dense is not None and percent is None:
            percent = 100 * transmittance(dense)
        else:
            raise InvalidInputs("Give either the transmittance or the density.", field="transmittance_percent")
        outputs = self.Outputs(
            transmittance_percent=percent, optical_density=dense, shade_number=welding_shade(percent / 100)
        )
        return CalculatorResult(
            outputs,
            ("For one wavelength, or luminous values throughout.", "A shade number alone makes no welding protection."),
        )


class TintCategory(Calculator[Any, Any]):
    """The category of a tint and what it means for driving."""

    name = "tint-category"
    title = "Tint category and driving"
    version = "1.0"
    topic = TOPIC
    source = _CATEGORIES

    class Inputs(CalculatorInputs):
        transmittance_percent: float = Quantity.percent("Luminous transmittance", ge=0, le=100, example=15.0)

    class Outputs(CalculatorOutputs):
        category: int | None = Quantity.number("Category 0 to 4; null at 3 % and less, which is outside them")
        description: str = part("The category in words")
        above_percent: float | None = Quantity.percent("The category begins above this")
        up_to_percent: float | None = Quantity.percent("The category ends with this, included")
        suits_daylight_driving: bool = choice("Whether the category admits driving by day")
        suits_night_driving: bool = choice("Whether the lens is light enough for driving at twilight and night")
        confidence: str = part("How well the edges of the categories are known")

    worked_examples = (
        WorkedExample(
            inputs={"transmittance_percent": 15},
            outputs={"category": 3, "suits_daylight_driving": True, "suits_night_driving": False},
            source=_CATEGORIES,
        ),
        WorkedExample(
            inputs={"transmittance_percent": 80},
            outputs={"category": 1, "suits_daylight_driving": True, "suits_night_driving": True},
            source=f"{_CATEGORIES} (the upper edge is included)",
        ),
        WorkedExample(
            inputs={"transmittance_percent": 8},
            outputs={"category": 4, "suits_daylight_driving": False, "suits_night_driving": False},
            source=f"{_CATEGORIES} (category 4 is not for driving)",
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        percent = inputs.transmittance_percent
        found = tint_category(percent)
        band = None if found is None else found.band
        outputs = self.Outputs(
            category=None if found is None else found.number,
            description="darker than any category" if found is None else found.description,
            above_percent=None if band is None or band.over is None else float(band.over),
            up_to_percent=None if band is None or band.up_to is None else float(band.up_to),
            suits_daylight_driving=found is not None and found.suits_driving,
            suits_night_driving=suits_night_driving(repr(percent)),
            confidence=_CLAUSES[4].confidence.value,
        )
        return CalculatorResult(outputs, (_LUMINOUS,), _driving_warnings(found, outputs.suits_night_driving))


def _driving_warnings(category: Category | None, suits_night: bool) -> tuple[CalculatorWarning, ...]:
    if category is None or not category.suits_driving:
        return warning("not_for_driving", "Not suitable for driving and road use at any time."), DRIVING
    if not suits_night:
        message = f"Below {NIGHT_DRIVING_PERCENT} %: not suitable for driving at twilight or at night."
        return warning("not_for_night_driving", message), DRIVING
    return (DRIVING,)


class TintsCombined(Calculator[Any, Any]):
    """Several absorbers one behind another, such as a clip-on over a tinted lens."""

    name = "tints-combined"
    title = "Absorbers one behind another"
    version = "1.0"
    topic = TOPIC
    source = f"Transmittances multiply, densities add (OD 1 + OD 2 = OD 3); {_DENSITY}"

    class Inputs(CalculatorInputs):
        transmittances_percent: tuple[TransmittancePercent, ...] = series(
            "%", "Transmittances, one to eight", (80.0, 50.0), min_length=1, max_length=8
        )

    class Outputs(CalculatorOutputs):
        transmittance_percent: float = Quantity.percent("Transmittance of all together")
        optical_density: float | None = Quantity.number("Optical density of all together; null beyond 10")
        category: int | None = Quantity.number("Tint category; null at 3 % and less")

    worked_examples = (
        WorkedExample(
            inputs={"transmittances_percent": (10, 1)},
            outputs={"transmittance_percent": 0.1, "optical_density": 3},
            source="https://optowiki.info/glossary/optical-density/ (OD 1 + OD 2 = OD 3)",
            tolerance=1e-9,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        share = stacked_transmittance(*(percent / 100 for percent in inputs.transmittances_percent))
        exactly = _exact_product(inputs.transmittances_percent)
        found = tint_category(exactly)
        outputs = self.Outputs(
            transmittance_percent=100 * share,
            optical_density=density(share) if share >= 1e-10 else None,
            category=None if found is None else found.number,
        )
        return CalculatorResult(
            outputs,
            ("Neutral absorbers and luminous values; reflections between them are left out.",),
            _driving_warnings(found, suits_night_driving(exactly)),
        )


def _exact_product(percents: Iterable[float]) -> Decimal:
    """Percent of all together without binary rounding, because the edges of the categories are exact."""
    return prod((Decimal(repr(percent)) / 100 for percent in percents), start=Decimal(100))


class TintThickness(Calculator[Any, Any]):
    """Internal transmittance of a through-and-through tint where the lens is thicker or thinner."""

    name = "tint-thickness"
    title = "Solid tint at another thickness"
    version = "1.0"
    topic = TOPIC
    source = f"Ti(t2) = Ti(t1)^(t2/t1); {_DENSITY}"

    class Inputs(CalculatorInputs):
        transmittance_percent: float = Quantity.percent(
            "Internal transmittance at the known thickness", ge=0.0001, le=100, example=30.0
        )
        from_mm: float = Quantity.mm("The known thickness", ge=0.1, le=50, example=2.0)
        to_mm: float = thickness_field("The other thickness", 3.5)

    class Outputs(CalculatorOutputs):
        transmittance_percent: float = Quantity.percent("Internal transmittance at the other thickness")

    worked_examples = (
        WorkedExample(
            inputs={"transmittance_percent": 30, "from_mm": 2, "to_mm": 3.5},
            outputs={"transmittance_percent": 12.1608},
            source=COMPUTED,
            tolerance=1e-4,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        share = internal_transmittance(inputs.transmittance_percent / 100, inputs.from_mm, inputs.to_mm)
        return CalculatorResult(
            self.Outputs(transmittance_percent=100 * share),
            ("One wavelength, or a neutral tint; surface reflections are left out.",),
            (DRIVING,),
        )


class UncoatedTransmittance(Calculator[Any, Any]):
    """What a clear lens without coating reflects and lets through."""

    name = "uncoated-transmittance"
    title = "Reflection and transmittance without coating"
    version = "1.0"
    topic = TOPIC
    source = "R = ((n - 1)/(n + 1))^2, T = 2n/(n^2 + 1); Fresnel at normal incidence, computed from first principles"

    class Inputs(CalculatorInputs):
        index: float = index_field()

    class Outputs(CalculatorOutputs):
        reflectance_percent: float = Quantity.percent("Reflectance of one surface")
        transmittance_percent: float = Quantity.percent("Transmittance of the lens, all internal reflections counted")
        first_order_percent: float = Quantity.percent("Transmittance without internal reflections")

    worked_examples = (
        WorkedExample(
            inputs={"index": 1.74},
            outputs={
                "reflectance_percent": 7.2939,
                "transmittance_percent": 86.4038,
                "first_order_percent": 85.9441,
            },
            source=COMPUTED,
            tolerance=1e-4,
        ),
    )

    def compute(self, inputs: Inputs) -> CalculatorResult[Outputs]:
        outputs = self.Outputs(
            reflectance_percent=100 * surface_reflectance(inputs.index),
            transmittance_percent=100 * uncoated_transmittance(inputs.index),
            first_order_percent=100 * uncoated_transmittance(inputs.index, all_reflections=False),
        )
        return CalculatorResult(outputs, ("Clear material in air, light at right angles to the surface.",))
