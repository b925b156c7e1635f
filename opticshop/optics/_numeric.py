"""How the optics core takes numbers: scalars or arrays, always finite, always within sane bounds.

Every public function names its inputs through `numbers`, works on what that returns with ordinary numpy
expressions, and hands its result to `plain`. Scalars (float, int, Decimal, numpy scalars) come out as Python
floats; anything with a shape comes out as a float64 array of the broadcast shape.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from functools import wraps
from typing import Any, ParamSpec, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from .errors import InvalidNumber, OpticsError, OutOfRange, ShapeMismatch

FloatArray: TypeAlias = npt.NDArray[np.float64]
Numeric: TypeAlias = float | Decimal | Sequence[Any] | npt.NDArray[Any]
"""A number or an array of numbers."""
Result: TypeAlias = Any
"""A Python float when every input was a scalar, else a float64 array (typed as numpy types its ufuncs)."""

LARGEST = 1e6
"""No length, power or angle of a spectacle lens is larger; the bound keeps every formula clear of overflow."""
POLE = 1e-9
"""Denominators smaller than this are treated as poles."""
BLOCK = 32768
"""Long arrays are worked through in blocks of this many elements, so that intermediate values stay in cache."""
NEGLIGIBLE = 1e-10
"""Cylinders and prisms smaller than this are rounding residue: they have no axis and no base."""

P = ParamSpec("P")
R = TypeVar("R")


def blockwise(function: Callable[P, R]) -> Callable[P, R]:
    """Run an elementwise function over long one-dimensional arrays block by block.

    The result is the same as that of one call; other shapes and short arrays go straight through.
    """

    @wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> R:
        values = (*args, *kwargs.values())
        lengths = {value.shape for value in values if isinstance(value, np.ndarray) and value.ndim}
        if len(lengths) != 1 or len(shape := lengths.pop()) != 1 or shape[0] <= BLOCK:
            return function(*args, **kwargs)
        return _in_blocks(function, shape[0], args, kwargs)

    return call


def _in_blocks(function: Callable[..., Any], length: int, args: Any, kwargs: Any) -> Any:
    outputs: list[FloatArray] = []
    single = False
    for start in range(0, length, BLOCK):
        part = slice(start, min(start + BLOCK, length))

        def cut(value: Any, part: slice = part) -> Any:
            return value[part] if isinstance(value, np.ndarray) and value.ndim else value

        results = function(*map(cut, args), **{name: cut(value) for name, value in kwargs.items()})
        if not outputs:
            single = not isinstance(results, tuple)
        results = (results,) if single else results
        if not outputs:
            outputs = [np.empty(length) for _ in results]
        for output, result in zip(outputs, results, strict=True):
            output[part] = result
    return outputs[0] if single else tuple(outputs)


def numbers(**named: Numeric) -> tuple[Any, ...]:
    """The named values as floats or float64 arrays, in the order given.

    Raises `InvalidNumber` for nan, infinity and non-numbers, `OutOfRange` beyond +/- `LARGEST`,
    `ShapeMismatch` when arrays do not broadcast. The error's `field` is the keyword.
    """
    prepared: list[Any] = []
    shapes: list[tuple[int, ...]] = []
    for field, value in named.items():
        if isinstance(value, float | int | Decimal):
            number = _scalar(value, field)
            if not -LARGEST <= number <= LARGEST:
                raise _bad(number, field)
            prepared.append(number)
            continue
        array = _array(value, field)
        if array.ndim == 0:
            prepared.append(float(array))
        else:
            prepared.append(array)
            shapes.append(array.shape)
    if len(shapes) > 1 and any(shape != shapes[0] for shape in shapes):
        try:
            np.broadcast_shapes(*shapes)
        except ValueError:
            raise ShapeMismatch(f"shapes {shapes} do not broadcast against each other") from None
    return tuple(prepared)


def number(value: Numeric, field: str) -> Any:
    """One value through `numbers`."""
    return numbers(**{field: value})[0]


def scalar(value: Numeric, field: str, low: float = -LARGEST, high: float = LARGEST) -> float:
    """One value that must be a scalar within [low, high], as a Python float."""
    (prepared,) = numbers(**{field: value})
    if not isinstance(prepared, float):
        raise InvalidNumber("a single number is required, not an array", field=field)
    if not low <= prepared <= high:
        raise OutOfRange(f"must lie between {low:g} and {high:g}, got {prepared:g}", field=field)
    return prepared


def within(value: Any, field: str, low: float, high: float) -> Any:
    """The value (already through `numbers`), or `OutOfRange` when any element lies outside [low, high]."""
    if isinstance(value, float):
        if not low <= value <= high:
            raise OutOfRange(f"must lie between {low:g} and {high:g}, got {value:g}", field=field)
    elif value.size and not (value.min() >= low and value.max() <= high):
        raise OutOfRange(f"every element must lie between {low:g} and {high:g}", field=field)
    return value


def refractive_index(value: Any, field: str = "index") -> Any:
    """A refractive index of a transparent solid, 1.1 to 3."""
    return within(value, field, 1.1, 3.0)


def away_from_pole(denominator: Any, error: OpticsError) -> Any:
    """The denominator, or `error` when any element is a pole."""
    if isinstance(denominator, float):
        if abs(denominator) < POLE:
            raise error
    elif denominator.size and denominator.min() < POLE and np.abs(denominator).min() < POLE:
        raise error
    return denominator


def plain(result: Any) -> Result:
    """A Python float for anything without a shape, else the array."""
    return result if isinstance(result, np.ndarray) and result.ndim else float(result)


def plain_all(*results: Any) -> tuple[Result, ...]:
    """Several results of one function: all floats, or all arrays of the same shape."""
    shapes = [np.shape(result) for result in results]
    if not any(shapes):
        return tuple(float(result) for result in results)
    shape = np.broadcast_shapes(*shapes)
    return tuple(
        result if own == shape else np.broadcast_to(result, shape).copy()
        for result, own in zip(results, shapes, strict=True)
    )


def read_only(array: Any) -> FloatArray:
    """A private float64 copy that cannot be written to."""
    copy = np.array(array, dtype=np.float64, copy=True)
    copy.setflags(write=False)
    return copy


def _scalar(value: float | Decimal, field: str) -> float:
    try:
        return float(value)
    except (OverflowError, ValueError):  # an int beyond the float range, a signalling nan
        raise InvalidNumber("not a finite number", field=field) from None


def _array(value: Any, field: str) -> FloatArray:
    if isinstance(value, str | bytes) or value is None:
        raise InvalidNumber(f"a number is required, not {type(value).__name__}", field=field)
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise InvalidNumber("not a number or an array of numbers", field=field) from None
    if array.size and not (array.min() >= -LARGEST and array.max() <= LARGEST):
        raise _bad(float(array.flat[np.argmax(~(np.abs(array) <= LARGEST))]), field)
    return array


def _bad(value: float, field: str) -> OpticsError:
    if np.isfinite(value):
        return OutOfRange(f"{value:g} is larger than any quantity of a spectacle lens", field=field)
    return InvalidNumber(f"{value} is not a finite number", field=field)
