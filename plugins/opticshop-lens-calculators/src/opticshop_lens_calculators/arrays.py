"""Calculators whose formula works on columns, so that a batch of rows is one call of the optics core."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from operator import attrgetter
from typing import Any, ClassVar, TypeVar

import numpy as np

from opticshop.plugin_api import Calculator, CalculatorInputs, CalculatorOutputs, CalculatorResult

InputsT = TypeVar("InputsT", bound=CalculatorInputs)
OutputsT = TypeVar("OutputsT", bound=CalculatorOutputs)


class ArrayCalculator(Calculator[InputsT, OutputsT]):
    """Says which numbers of a row enter the formula, the formula for columns of them, and what to make of it.

    One row is a batch of one, so that both give the same digits. A batch with an impossible row raises what that row
    raises alone; the host then takes the rows one by one.
    """

    columns: ClassVar[tuple[str, ...]]
    """Attributes of the inputs, each a float, in the order in which `figures` takes them."""

    @abstractmethod
    def figures(self, *args: Any, **kwargs: Any) -> tuple[Any, ...]:
        """The formula: float64 arrays of one length in, the same out."""

    @abstractmethod
    def result(self, inputs: InputsT, *args: Any, **kwargs: Any) -> CalculatorResult[OutputsT]:
        """Outputs of one row from its figures."""

    def compute(self, inputs: InputsT) -> CalculatorResult[OutputsT]:
        return self.compute_batch([inputs])[0]

    def compute_batch(self, rows: Sequence[InputsT]) -> list[CalculatorResult[OutputsT]]:
        if not rows:
            return []
        columns = (np.fromiter(map(attrgetter(name), rows), np.float64, len(rows)) for name in self.columns)
        figures = (figure.tolist() for figure in self.figures(*columns))
        return [self.result(row, *values) for row, *values in zip(rows, *figures, strict=True)]
