"""Which pieces promised to an order are spoilt for anybody else: a registry that higher floors enter themselves in.

Calling an order off gives what was promised to it back to the drawer, but not a lens that has been cut. Orders know
nothing of cutting; whoever does (the workshop) registers a finder here. It is asked inside the transaction that calls
the order off, with the row of the order locked, and must lock what it reads.
"""

from __future__ import annotations

from collections.abc import Callable

from .models import Order

#: order (its row locked by the caller) -> the spoilt parts: "right", "left" or "frame".
Finder = Callable[[Order], set[str]]
_finders: dict[str, Finder] = {}


def finds_spoiled(name: str) -> Callable[[Finder], Finder]:
    """Register a finder under a stable name."""

    def register(finder: Finder) -> Finder:
        if name in _finders and _finders[name] is not finder:
            raise ValueError(f"two finders of spoilt parts are called {name}")
        _finders[name] = finder
        return finder

    return register


def spoiled_parts(order: Order) -> set[str]:
    """Every part that one of the finders calls spoilt."""
    return set().union(*(finder(order) for finder in _finders.values()))
