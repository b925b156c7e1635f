"""How a check value is compared: run through the calculator by name, every named output within a tolerance."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pytest
from opticshop_lens_calculators import CALCULATORS

from opticshop.plugin_api import CalculatorResult

BY_NAME = {calculator.name: calculator for calculator in CALCULATORS}


def ran(name: str, inputs: Mapping[str, Any]) -> CalculatorResult[Any]:
    calculator = BY_NAME[name]
    return calculator.compute(calculator.Inputs.model_validate(dict(inputs)))


def agrees(found: Any, expected: Any, tolerance: float) -> None:
    if isinstance(expected, Mapping):
        for key, inner in expected.items():
            agrees(found[key], inner, tolerance)
    elif isinstance(expected, Sequence) and not isinstance(expected, str):
        assert len(found) == len(expected)
        for one, other in zip(found, expected, strict=True):
            agrees(one, other, tolerance)
    elif isinstance(expected, float | int) and not isinstance(expected, bool):
        assert found == pytest.approx(expected, abs=tolerance)
    else:
        assert found == expected


@pytest.fixture(scope="session")
def run() -> Callable[[str, Mapping[str, Any]], CalculatorResult[Any]]:
    """``run(name, inputs)`` computes once."""
    return ran


@pytest.fixture(scope="session")
def check() -> Callable[..., None]:
    """``check(name, inputs, outputs)`` computes once and compares the outputs named."""

    def compare(name: str, inputs: Mapping[str, Any], outputs: Mapping[str, Any], tolerance: float = 1e-5) -> None:
        agrees(ran(name, inputs).outputs.model_dump(), outputs, tolerance)

    return compare


@pytest.fixture(scope="session")
def codes() -> Callable[..., set[str]]:
    """``codes(name, inputs)`` is the set of the warnings' codes."""

    def found(name: str, inputs: Mapping[str, Any]) -> set[str]:
        return {warning.code for warning in ran(name, inputs).warnings}

    return found
