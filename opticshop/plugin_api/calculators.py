"""Calculators: pure functions with a schema, a version and a stated source.

The host publishes each as an endpoint whose OpenAPI schema comes straight from `Inputs` and `Outputs`, so a
field's description, unit, range and example are written once, here:

    class Inputs(CalculatorInputs):
        power_dpt: float = Quantity.dioptre("Back vertex power of the lens", ge=-30, le=30, example=-6.0)
        vertex_mm: float = Quantity.mm("Distance from the back vertex to the cornea", ge=0, le=30,
        example=12.0)
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from .types import JsonReady, json_ready

_STRICT = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
_REQUIRED: Any = object()


class CalculatorInputs(BaseModel):
    """Base of every `Inputs`: frozen, no unknown fields, no infinities."""

    model_config = _STRICT


class CalculatorOutputs(BaseModel):
    """Base of every `Outputs`: frozen, no unknown fields, no infinities."""

    model_config = _STRICT


InputsT = TypeVar("InputsT", bound=CalculatorInputs)
OutputsT = TypeVar("OutputsT", bound=CalculatorOutputs)


class Quantity:
    """Field factories: a description, a unit, a range and an example in one line.

    `ge` and `le` are inclusive, `gt` and `lt` exclusive; inputs need a bound on each side. Without `default`
    the field is required. Units are written as in the trade: "D", "mm", "°", "Δ".
    """

    @staticmethod
    def of(
        unit: str,
        description: str,
        *,
        ge: float | None = None,
        le: float | None = None,
        gt: float | None = None,
        lt: float | None = None,
        example: Any = None,
        default: Any = _REQUIRED,
    ) -> Any:
        """A quantity in any unit; "1" for a pure number."""
        return Field(
            ... if default is _REQUIRED else default,
            description=description,
            ge=ge,
            le=le,
            gt=gt,
            lt=lt,
            examples=None if example is None else [example],
            json_schema_extra={"unit": unit},
        )

    @staticmethod
    def dioptre(description: str, **options: Any) -> Any:
        """Power or vergence, in D."""
        return Quantity.of("D", description, **options)

    @staticmethod
    def mm(description: str, **options: Any) -> Any:
        """Length, in mm."""
        return Quantity.of("mm", description, **options)

    @staticmethod
    def degree(description: str, **options: Any) -> Any:
        """Angle, in degrees."""
        return Quantity.of("°", description, **options)

    @staticmethod
    def prism_dioptre(description: str, **options: Any) -> Any:
        """Prismatic power, in prism dioptres (cm per m)."""
        return Quantity.of("Δ", description, **options)

    @staticmethod
    def percent(description: str, **options: Any) -> Any:
        """A share of a hundred."""
        return Quantity.of("%", description, **options)

    @staticmethod
    def gram(description: str, **options: Any) -> Any:
        """Mass, in g."""
        return Quantity.of("g", description, **options)

    @staticmethod
    def number(description: str, **options: Any) -> Any:
        """A pure number, such as a refractive index."""
        return Quantity.of("1", description, **options)


@dataclass(frozen=True, slots=True)
class CalculatorWarning(JsonReady):
    """Something the person should know. `code` is stable, `message` one plain sentence."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class CalculatorResult(Generic[OutputsT]):
    """Outputs with the assumptions they rest on. Assumptions are sentences and depend on the inputs alone."""

    outputs: OutputsT
    assumptions: tuple[str, ...] = ()
    warnings: tuple[CalculatorWarning, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {
            "outputs": self.outputs.model_dump(mode="json"),
            "assumptions": list(self.assumptions),
            "warnings": json_ready(self.warnings),
        }


@dataclass(frozen=True, slots=True)
class WorkedExample:
    """Inputs with the outputs that a named source prints for them; checked by the conformance suite.

    `outputs` may name only some fields; numbers must agree within `tolerance`. `source` says where the
    numbers come from, or "from memory".
    """

    inputs: Mapping[str, Any]
    outputs: Mapping[str, Any] = field(hash=False)
    source: str
    tolerance: float = 0.005


class Calculator(ABC, Generic[InputsT, OutputsT]):
    """One named computation.

    `name` is kebab-case and unique among calculators; `version` changes whenever an output for some input
    changes; `topic` groups calculators for people ("prism", "lens form"); `source` names where the formula
    comes from.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    version: ClassVar[str]
    topic: ClassVar[str]
    source: ClassVar[str]
    Inputs: ClassVar[type[CalculatorInputs]]
    Outputs: ClassVar[type[CalculatorOutputs]]
    worked_examples: ClassVar[tuple[WorkedExample, ...]] = ()

    @abstractmethod
    def compute(self, inputs: InputsT) -> CalculatorResult[OutputsT]:
        """Compute from inputs that already satisfy `Inputs`. Pure: no clock, no files, no memory of earlier
        calls.

        Raises `opticshop.optics.errors.OpticsError` or `InvalidInputs` when the inputs together describe
        nothing that exists; the host answers 422 with its code, message and field.
        """

    def compute_batch(self, rows: Sequence[InputsT]) -> list[CalculatorResult[OutputsT]]:
        """Results in the order of `rows`, equal to those of `compute`. Override it to work on arrays."""
        return [self.compute(row) for row in rows]

    def example(self) -> InputsT:
        """Inputs made of the first example of each field; a field without one keeps its default."""
        values = {name: info.examples[0] for name, info in self.Inputs.model_fields.items() if info.examples}
        example: InputsT = self.Inputs.model_validate(values)  # type: ignore[assignment]
        return example
