"""Percentiles by one method everywhere: the nearest rank.

Of n values in order, the p-th percentile is the one at rank ceil(p n / 100), so it is always a value that was seen.
That is definition 1 of Hyndman and Fan (1996), what PostgreSQL computes as ``percentile_disc`` and numpy as
``inverted_cdf``.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar

T = TypeVar("T", bound=Any)


def nearest_rank(values: Iterable[T], percent: int) -> T | None:
    """The percentile (1 to 100) of values that can be ordered, in their own unit; None of no values."""
    if not 1 <= percent <= 100:
        raise ValueError(f"{percent} is no percentile from 1 to 100")
    ordered = sorted(values)
    return ordered[-(-percent * len(ordered) // 100) - 1] if ordered else None
