"""Reading of inputs: finite numbers, enough of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import SpcError

Floats = NDArray[np.float64]


def series(values: Sequence[float] | Floats | Any, *, at_least: int, what: str = "values") -> Floats:
    """The values as an array of shape (n,). Raises SpcError for too few or for one that is no finite number."""
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 1 or len(found) < at_least:
        raise SpcError(f"at least {at_least} {what} are needed")
    return finite(found, what)


def finite(values: Floats, what: str = "values") -> Floats:
    if not np.isfinite(values).all():
        raise SpcError(f"the {what} must be finite numbers")
    return values
