"""State machines are a readable table of allowed moves; this module only looks moves up in such a table."""

from __future__ import annotations

from collections.abc import Mapping

from .errors import MoveNotAllowed


def check_move(table: Mapping[str, frozenset[str] | set[str]], now: str, wanted: str, *, of: str) -> None:
    """Raise MoveNotAllowed, naming the allowed moves, unless ``wanted`` follows ``now`` in the table."""
    allowed = sorted(str(state) for state in table.get(now, frozenset()))
    if wanted not in allowed:
        ways = ", ".join(allowed) or "no further move"
        raise MoveNotAllowed(
            f"{of} is {now}; it cannot become {wanted}. Allowed from here: {ways}.",
            field="state",
            allowed=allowed,
        )
