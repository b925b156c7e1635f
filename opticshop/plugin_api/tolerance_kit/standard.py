"""A standard that is its tables plus a few lines of judging."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from typing import ClassVar

from ..tolerances import (
    ALONE,
    EyeInspection,
    InspectionRequest,
    LimitDescription,
    StandardContext,
    ToleranceStandard,
    Verdict,
)
from ..types import NO_SETTINGS, Eye, Settings
from .judge import Judge
from .tables import Describes


class TableStandard(ToleranceStandard):
    """Walks through the lenses, then the pair. `limit_tables` are all its limits, in the order of display."""

    limit_tables: ClassVar[tuple[Describes, ...]]
    notes: ClassVar[tuple[str, ...]] = ()

    @abstractmethod
    def judge_lens(self, judge: Judge, eye: Eye, lens: EyeInspection, request: InspectionRequest) -> None:
        """Add the lines of one lens."""

    def judge_pair(self, judge: Judge, right: EyeInspection, left: EyeInspection, request: InspectionRequest) -> None:
        """Add the lines of the two lenses together; uncut lenses have none."""

    def limits(self, settings: Settings = NO_SETTINGS, context: StandardContext = ALONE) -> Sequence[LimitDescription]:
        return tuple(line for table in self.limit_tables for line in table.describe())

    def evaluate(self, request: InspectionRequest, context: StandardContext = ALONE) -> Verdict:
        judge = Judge(request.uncertainty)
        for note in self.notes:
            judge.note(note)
        if request.lens_kind not in self.lens_kinds:
            judge.note(f"{self.title} does not cover this kind of lens ({request.lens_kind}).")
            return judge.verdict(self)
        for eye, lens in request.lenses:
            self.judge_lens(judge, eye, lens, request)
        if self.applies_to == "mounted":
            if request.right is not None and request.left is not None:
                self.judge_pair(judge, request.right, request.left, request)
            else:
                judge.note("Only one lens was inspected; nothing is said about the pair.")
        return judge.verdict(self)
