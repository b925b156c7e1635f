"""Checks of one calculator."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from types import UnionType
from typing import Any, Union, get_args, get_origin

import annotated_types
from packaging.version import InvalidVersion, Version
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ..calculators import Calculator, CalculatorInputs, CalculatorOutputs, CalculatorResult
from .failure import require

_NUMBERS = (int, float, Decimal)


def checks(calculator: Calculator[Any, Any]) -> Iterator[tuple[str, Callable[[], None]]]:
    for title, check in (
        ("describes itself", _describes_itself),
        ("describes each field", _describes_each_field),
        ("runs its example", _runs_its_example),
        ("refuses unknown and infinite inputs", _refuses_nonsense),
        ("batch equals single", _batch_equals_single),
        ("agrees with its worked examples", _agrees_with_worked_examples),
    ):
        yield f"calculator {calculator.name}: {title}", lambda check=check: check(calculator)  # type: ignore[misc]


def _describes_itself(calculator: Calculator[Any, Any]) -> None:
    for attribute in ("title", "topic", "source", "version"):
        require(bool(getattr(calculator, attribute, "").strip()), f"{calculator.name}: {attribute} is missing")
    try:
        Version(calculator.version)
    except InvalidVersion:
        require(False, f"{calculator.name}: {calculator.version!r} is no version")
    require(issubclass(calculator.Inputs, CalculatorInputs), f"{calculator.name}: Inputs is no CalculatorInputs")
    require(
        issubclass(calculator.Outputs, CalculatorOutputs),
        f"{calculator.name}: Outputs is no CalculatorOutputs",
    )
    json.dumps([calculator.Inputs.model_json_schema(), calculator.Outputs.model_json_schema()])


def _describes_each_field(calculator: Calculator[Any, Any]) -> None:
    for path, info in _fields(calculator.Inputs, "Inputs"):
        _require_described(calculator.name, path, info)
        if _is_number(info.annotation):
            bounds = {type(item) for item in info.metadata}
            lower = bounds & {annotated_types.Ge, annotated_types.Gt}
            upper = bounds & {annotated_types.Le, annotated_types.Lt}
            require(bool(lower and upper), f"{calculator.name}: {path} needs a lower and an upper bound")
            require(bool(info.examples), f"{calculator.name}: {path} needs an example")
    for path, info in _fields(calculator.Outputs, "Outputs"):
        _require_described(calculator.name, path, info)


def _require_described(name: str, path: str, info: FieldInfo) -> None:
    require(bool(info.description and info.description.strip()), f"{name}: {path} needs a description")
    if _holds_numbers(info.annotation):
        extra = info.json_schema_extra
        require(isinstance(extra, Mapping) and bool(extra.get("unit")), f"{name}: {path} needs a unit")


def _runs_its_example(calculator: Calculator[Any, Any]) -> None:
    inputs = calculator.example()
    result = _computed(calculator, inputs)
    again = _computed(calculator, calculator.Inputs.model_validate(inputs.model_dump()))
    require(result == again, f"{calculator.name}: the same inputs gave other outputs")
    for example in calculator.worked_examples:
        _computed(calculator, calculator.Inputs.model_validate(dict(example.inputs)))
    require(_computed(calculator, inputs) == result, f"{calculator.name}: earlier calls changed the outputs")


def _refuses_nonsense(calculator: Calculator[Any, Any]) -> None:
    values = calculator.example().model_dump()
    spoilt: list[dict[str, Any]] = [{**values, "no_such_field": 1}]
    spoilt += [
        {**values, name: math.inf}
        for name, info in calculator.Inputs.model_fields.items()
        if _is_number(info.annotation)
    ]
    for some in spoilt:
        try:
            calculator.Inputs.model_validate(some)
        except ValueError:
            continue
        require(False, f"{calculator.name}: Inputs took {some}")


def _batch_equals_single(calculator: Calculator[Any, Any]) -> None:
    rows = [calculator.example()]
    rows += [calculator.Inputs.model_validate(dict(example.inputs)) for example in calculator.worked_examples]
    rows.append(calculator.example())
    require(
        list(calculator.compute_batch(rows)) == [calculator.compute(row) for row in rows],
        f"{calculator.name}: compute_batch differs from compute",
    )
    require(list(calculator.compute_batch([])) == [], f"{calculator.name}: compute_batch of no rows is empty")


def _agrees_with_worked_examples(calculator: Calculator[Any, Any]) -> None:
    for example in calculator.worked_examples:
        require(bool(example.source.strip()), f"{calculator.name}: a worked example needs a source")
        require(bool(example.outputs), f"{calculator.name}: a worked example needs outputs")
        outputs = _computed(calculator, calculator.Inputs.model_validate(dict(example.inputs))).outputs
        found = outputs.model_dump()
        for field, expected in example.outputs.items():
            require(field in found, f"{calculator.name}: there is no output {field}")
            require(
                _agrees(found[field], expected, example.tolerance),
                f"{calculator.name}: {field} is {found[field]}, but {example.source} gives {expected}",
            )


def _computed(calculator: Calculator[Any, Any], inputs: Any) -> CalculatorResult[Any]:
    result = calculator.compute(inputs)
    require(isinstance(result, CalculatorResult), f"{calculator.name}: compute returns a CalculatorResult")
    require(isinstance(result.outputs, calculator.Outputs), f"{calculator.name}: outputs are not of type Outputs")
    require(_is_finite(result.outputs.model_dump()), f"{calculator.name}: an output is not finite")
    json.dumps(result.to_dict(), allow_nan=False)
    return result


def _agrees(found: Any, expected: Any, tolerance: float) -> bool:
    if isinstance(expected, Mapping):
        return isinstance(found, Mapping) and all(
            key in found and _agrees(found[key], item, tolerance) for key, item in expected.items()
        )
    if isinstance(expected, Sequence) and not isinstance(expected, str):
        return len(found) == len(expected) and all(
            _agrees(one, other, tolerance) for one, other in zip(found, expected, strict=True)
        )
    if isinstance(expected, _NUMBERS) and not isinstance(expected, bool):
        return isinstance(found, _NUMBERS) and abs(float(found) - float(expected)) <= tolerance
    return bool(found == expected)


def _is_finite(value: Any) -> bool:
    if isinstance(value, Mapping):
        return all(_is_finite(item) for item in value.values())
    if isinstance(value, list | tuple):
        return all(_is_finite(item) for item in value)
    return not isinstance(value, float | Decimal) or math.isfinite(value)


def _fields(model: type[BaseModel], path: str) -> Iterator[tuple[str, FieldInfo]]:
    for name, info in model.model_fields.items():
        yield f"{path}.{name}", info
        for inner in _models_in(info.annotation):
            yield from _fields(inner, f"{path}.{name}")


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]


def _is_number(annotation: Any) -> bool:
    """int, float or Decimal, possibly or None; not bool, not a container."""
    if get_origin(annotation) in (Union, UnionType):
        inner = [item for item in get_args(annotation) if item is not type(None)]
        return bool(inner) and all(_is_number(item) for item in inner)
    return isinstance(annotation, type) and issubclass(annotation, _NUMBERS) and annotation is not bool


def _holds_numbers(annotation: Any) -> bool:
    return _is_number(annotation) or any(_holds_numbers(inner) for inner in get_args(annotation))
