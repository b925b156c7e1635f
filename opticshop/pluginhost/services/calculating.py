"""Running calculators: one set of inputs, or many rows of which each stands for itself."""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from django.conf import settings
from pydantic import BaseModel, ValidationError

from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.optics.errors import OpticsError
from opticshop.plugin_api import Calculator, CalculatorResult, InvalidInputs

from .. import selectors, shapes
from ..errors import CalculatorFailed, CalculatorInputsInvalid, CannotBeComputed, OutOfTime, entry
from ..permissions import CalculatorPermission
from ..registry import Brought

log = logging.getLogger("opticshop.plugins")

MAX_ROWS = 10_000
#: Rows computed together; between two such parts the clock is looked at.
PART = 200


@dataclass(frozen=True, slots=True)
class CalculatorAnswer:
    """What was computed, from what, on which assumptions, by which version of which plugin's formula."""

    calculator: str
    version: str
    plugin: str
    source: str
    inputs: dict[str, Any]
    outputs: dict[str, Any]
    assumptions: list[str]
    warnings: list[dict[str, str]]


@dataclass(frozen=True, slots=True)
class RowAnswer:
    """One row of a batch: either outputs, or the problem of this row."""

    index: int
    outputs: dict[str, Any] | None = None
    assumptions: list[str] = field(default_factory=list)
    warnings: list[dict[str, str]] = field(default_factory=list)
    problem: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class BatchAnswer:
    calculator: str
    version: str
    plugin: str
    source: str
    computed: int
    failed: int
    rows: list[RowAnswer]


def calculator_run(*, actor: Actor, name: str, inputs: Any) -> CalculatorAnswer:
    """Compute once.

    Raises CalculatorInputsInvalid or CannotBeComputed (both 422) for the caller's inputs, CalculatorFailed for a
    defect of the calculator.
    """
    actor.require(CalculatorPermission.RUN)
    brought = selectors.calculator_get_for(actor, name, permission=CalculatorPermission.RUN)
    calculator = brought.thing
    read = _read(brought, inputs)
    row = _row(brought, 0, _computed(brought, read))
    return CalculatorAnswer(
        calculator=calculator.name,
        version=calculator.version,
        plugin=brought.plugin.name,
        source=calculator.source,
        inputs=read.model_dump(mode="json"),
        outputs=row.outputs or {},
        assumptions=row.assumptions,
        warnings=row.warnings,
    )


def calculator_batch(*, actor: Actor, name: str, rows: Sequence[Any]) -> BatchAnswer:
    """Compute up to MAX_ROWS rows. A row that cannot be computed carries its own problem and spoils no other.

    What is not computed within OPTICSHOP_BATCH_SECONDS carries the problem OutOfTime and can be sent again.
    """
    actor.require(CalculatorPermission.RUN)
    brought = selectors.calculator_get_for(actor, name, permission=CalculatorPermission.RUN)
    if not 1 <= len(rows) <= MAX_ROWS:
        raise CalculatorInputsInvalid(
            f"A batch has 1 to {MAX_ROWS} rows, not {len(rows)}.", field="rows", allowed=f"1 to {MAX_ROWS}"
        )
    answers: dict[int, RowAnswer] = {}
    sound: dict[int, BaseModel] = {}
    for index, row in enumerate(rows):
        try:
            sound[index] = _read(brought, row)
        except CalculatorInputsInvalid as error:
            answers[index] = _refused(index, error)
    until = time.monotonic() + settings.OPTICSHOP_BATCH_SECONDS
    left = list(sound)
    while left and time.monotonic() < until:
        part, left = left[:PART], left[PART:]
        answers |= _computed_together(brought, {index: sound[index] for index in part}, until)
    late = OutOfTime("The time for one batch was over; send this row again.", calculator=brought.key)
    answers |= {index: _refused(index, late) for index in sound if index not in answers}
    ordered = [answers[index] for index in range(len(rows))]
    failed = sum(1 for answer in ordered if answer.problem is not None)
    calculator = brought.thing
    return BatchAnswer(
        calculator=calculator.name,
        version=calculator.version,
        plugin=brought.plugin.name,
        source=calculator.source,
        computed=len(ordered) - failed,
        failed=failed,
        rows=ordered,
    )


def _read(brought: Brought[Calculator[Any, Any]], body: Any) -> BaseModel:
    model = brought.thing.Inputs
    try:
        return shapes.read(model, body)
    except ValidationError as error:
        faults = shapes.entries(model, body, error)
        said = "; ".join(f"{fault['pointer']}: {fault['detail']}" for fault in faults)
        raise CalculatorInputsInvalid(said[:1000], calculator=brought.key, errors=faults) from error


def _computed(brought: Brought[Calculator[Any, Any]], read: BaseModel) -> CalculatorResult[Any]:
    try:
        return _checked(brought, brought.thing.compute(read))
    except (OpticsError, InvalidInputs) as error:
        known = error.field if error.field in type(read).model_fields else None
        faults = [entry([known] if known else [], error.message, error.code)]
        raise CannotBeComputed(error.message, calculator=brought.key, reason_code=error.code, errors=faults) from error
    except DomainError:
        raise
    except Exception as error:
        raise _failed(brought, type(error).__name__, error) from error


def _computed_together(
    brought: Brought[Calculator[Any, Any]], sound: dict[int, BaseModel], until: float
) -> dict[int, RowAnswer]:
    """All at once, on arrays where the calculator can; one by one, while there is time, when a row spoils it."""
    try:
        results = brought.thing.compute_batch(list(sound.values()))
        if len(results) != len(sound):
            raise _failed(brought, f"{len(results)} results for {len(sound)} rows", None)
        return {
            index: _row(brought, index, _checked(brought, result)) for index, result in zip(sound, results, strict=True)
        }
    except Exception as error:
        log.info("calculator %s: a batch is computed row by row (%s)", brought.key, type(error).__name__)
    answers: dict[int, RowAnswer] = {}
    for index, read in sound.items():
        if time.monotonic() >= until:
            break
        try:
            answers[index] = _row(brought, index, _computed(brought, read))
        except DomainError as error:
            answers[index] = _refused(index, error)
    return answers


def _checked(brought: Brought[Calculator[Any, Any]], result: Any) -> CalculatorResult[Any]:
    if not isinstance(result, CalculatorResult) or not isinstance(result.outputs, brought.thing.Outputs):
        raise _failed(brought, f"it returned {type(result).__name__}, not a result with its outputs", None)
    return result


def _row(brought: Brought[Calculator[Any, Any]], index: int, result: CalculatorResult[Any]) -> RowAnswer:
    said = result.to_dict()
    try:
        json.dumps(said, allow_nan=False)
    except ValueError as error:
        raise _failed(brought, "an output is not a finite number", error) from error
    return RowAnswer(index, said["outputs"], said["assumptions"], said["warnings"])


def _refused(index: int, error: DomainError) -> RowAnswer:
    problem: dict[str, Any] = {"code": error.code, "title": error.title, "detail": error.detail}
    if "errors" in error.extra:
        problem["errors"] = error.extra["errors"]
    return RowAnswer(index, problem=problem)


def _failed(brought: Brought[Calculator[Any, Any]], fault: str, cause: BaseException | None) -> CalculatorFailed:
    plugin = brought.plugin.name
    log.error("calculator %s of plugin %s failed: %s", brought.key, plugin, fault, exc_info=cause)
    return CalculatorFailed(f"The calculator {brought.key} of {plugin} failed: {fault}", plugin=plugin)
