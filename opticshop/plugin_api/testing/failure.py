"""How a check fails."""

from __future__ import annotations


class ConformanceFailure(AssertionError):
    """The plugin does not keep the contract; the message says where."""


def require(condition: bool, otherwise: str) -> None:
    """Raise `ConformanceFailure` unless `condition`; works under `python -O` too."""
    if not condition:
        raise ConformanceFailure(otherwise)
