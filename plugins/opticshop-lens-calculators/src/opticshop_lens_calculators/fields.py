"""Fields that many calculators ask for, each described once."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from opticshop.optics import Eye
from opticshop.plugin_api import Eye as EyeName
from opticshop.plugin_api import Quantity

__all__ = [
    "CylinderForm",
    "EyeName",
    "abbe_field",
    "choice",
    "cylinder_form_field",
    "density_field",
    "eye_field",
    "eye_named",
    "front_power_field",
    "in_field",
    "index_field",
    "minimum_centre_field",
    "minimum_edge_field",
    "name_of",
    "part",
    "series",
    "thickness_field",
    "up_field",
]

CylinderForm = Literal["minus", "plus"]

_REQUIRED: Any = ...


def eye_named(name: EyeName) -> Eye:
    """The optics core's eye of a name."""
    return Eye.RIGHT if name == "right" else Eye.LEFT


def name_of(eye: Eye) -> EyeName:
    return "right" if eye is Eye.RIGHT else "left"


def choice(description: str, example: Any = None, *, default: Any = _REQUIRED) -> Any:
    """A field that takes one of a few words, or yes or no."""
    return Field(default, description=description, examples=_examples(example))


def part(
    description: str,
    example: Any = None,
    *,
    default: Any = _REQUIRED,
    min_length: int | None = None,
    max_length: int | None = None,
) -> Any:
    """A field that is itself made of fields, a list of such, or text; outputs need no example."""
    return Field(
        default,
        description=description,
        examples=_examples(example),
        min_length=min_length,
        max_length=max_length,
    )


def series(
    unit: str,
    description: str,
    example: Any = None,
    *,
    default: Any = _REQUIRED,
    min_length: int,
    max_length: int,
) -> Any:
    """A list of quantities; the bounds of each stand in the type of its items."""
    return Field(
        default,
        description=description,
        examples=_examples(example),
        min_length=min_length,
        max_length=max_length,
        json_schema_extra={"unit": unit},
    )


def _examples(example: Any) -> list[Any] | None:
    return None if example is None else [example]


def eye_field(description: str = "The wearer's eye") -> Any:
    return choice(description, "right")


def cylinder_form_field() -> Any:
    return choice("Cylinder sign in which the answer is written", "minus", default="minus")


def index_field(description: str = "Refractive index of the lens material") -> Any:
    return Quantity.number(description, ge=1.3, le=2.1, example=1.6)


def abbe_field() -> Any:
    return Quantity.number(
        "Abbe number of the material, for the same spectral line as the index", ge=10, le=120, example=41.0
    )


def density_field() -> Any:
    return Quantity.of("g/cm³", "Density of the material", ge=0.5, le=10, example=1.3)


def front_power_field(example: float = 3.0) -> Any:
    return Quantity.dioptre(
        "True power of the front surface in the lens's own index (not a marked curve)", ge=-30, le=30, example=example
    )


def thickness_field(description: str = "Centre thickness", example: float = 2.0) -> Any:
    return Quantity.mm(description, ge=0, le=50, example=example)


def minimum_centre_field() -> Any:
    return Quantity.mm("Least centre thickness that the lens keeps", ge=0, le=20, example=1.5)


def minimum_edge_field() -> Any:
    return Quantity.mm("Least edge thickness that the lens keeps", ge=0, le=20, example=1.0)


def in_field(description: str, example: float = 3.0, *, default: Any = _REQUIRED) -> Any:
    """A horizontal position of one lens, nasal positive."""
    return Quantity.mm(f"{description}; nasal positive", ge=-50, le=50, example=example, default=default)


def up_field(description: str, example: float = 2.0, *, default: Any = _REQUIRED) -> Any:
    """A vertical position of one lens, up positive."""
    return Quantity.mm(f"{description}; up positive", ge=-50, le=50, example=example, default=default)
