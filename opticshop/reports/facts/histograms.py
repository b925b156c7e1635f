"""Percentiles from how often each value was seen: the nearest rank, as exact as from the values themselves."""

from __future__ import annotations

from collections import Counter


def nearest_rank_seen(seen: Counter[int], percent: int) -> int | None:
    """What ``core.percentiles.nearest_rank`` gives of the values one by one; None of no values."""
    if not 1 <= percent <= 100:
        raise ValueError(f"{percent} is no percentile from 1 to 100")
    rank = -(-percent * seen.total() // 100)
    for value in sorted(seen):
        rank -= seen[value]
        if rank <= 0:
            return value
    return None
