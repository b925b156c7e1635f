"""When a person is invited again."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from datetime import date
from typing import ClassVar

from .errors import InvalidFacts
from .types import NO_SETTINGS, JsonReady, Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallSubject(JsonReady):
    """Facts of one prescription and its owner. `flags` are clinical facts by name; a policy lists those it
    knows.

    `prescriber_interval_months` is what the prescriber wrote, if anything; it is the prescriber's decision
    and every policy should let it win.
    """

    date_of_birth: date | None
    issued_on: date
    expires_on: date | None = None
    prescriber_interval_months: int | None = None
    flags: frozenset[str] = field(default_factory=frozenset)

    def __post_init__(self) -> None:
        if self.prescriber_interval_months is not None and self.prescriber_interval_months <= 0:
            raise InvalidFacts("an interval is at least one month", field="prescriber_interval_months")
        if self.date_of_birth is not None and self.date_of_birth > self.issued_on:
            raise InvalidFacts("issued before birth", field="issued_on")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallDecision(JsonReady):
    """The day, None for no recall, with a reason in plain words and the source of the rule that gave it."""

    due_on: date | None
    reason: str
    source: str


class RecallPolicy(ABC):
    """A named rule set. `name` is kebab-case and unique; a branch picks one.

    `flags` are the names of the clinical facts that it takes into account; it is handed whatever is on record.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    flags: ClassVar[frozenset[str]] = frozenset()

    @abstractmethod
    def due_on(self, subject: RecallSubject, settings: Settings = NO_SETTINGS) -> RecallDecision:
        """The day of the next invitation, later than `subject.issued_on`. Pure: it reads no clock."""
