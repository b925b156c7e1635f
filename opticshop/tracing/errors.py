"""The one error of this package: an outline cannot be read, with the place and the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong. ``line`` counts from 1; None where no line can be named. ``label`` may be empty."""

    reason: str
    line: int | None = None
    label: str = ""

    def __str__(self) -> str:
        place = [f"line {self.line}"] if self.line is not None else []
        place += [self.label] if self.label else []
        return f"{', '.join(place)}: {self.reason}" if place else self.reason


class TraceError(ValueError):
    """The file is refused as a whole. ``problems`` holds at least one; the first is the one to show."""

    def __init__(self, reason: str | Sequence[Problem], *, line: int | None = None, label: str = "") -> None:
        found = (Problem(reason, line, label),) if isinstance(reason, str) else tuple(reason)
        super().__init__("; ".join(map(str, found)))
        self.problems = found

    @property
    def line(self) -> int | None:
        return self.problems[0].line

    @property
    def label(self) -> str:
        return self.problems[0].label

    @property
    def reason(self) -> str:
        return self.problems[0].reason
