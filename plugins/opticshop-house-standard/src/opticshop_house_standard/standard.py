"""The base judges first; then the stricter limits are applied to its lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from opticshop.plugin_api import (
    ALONE,
    NO_SETTINGS,
    InspectionRequest,
    LimitDescription,
    Settings,
    StandardContext,
    ToleranceStandard,
    Verdict,
)
from opticshop.plugin_api.tolerance_kit import tightened, verdict_of

from .settings import base_key, tightenings


class HouseStandard(ToleranceStandard):
    """Stricter than its base in what the branch has set, equal to it in everything else."""

    standard = "House standard"
    edition = "1"
    key = "house-standard"
    title = "House standard"
    applies_to = "mounted"

    def limits(self, settings: Settings = NO_SETTINGS, context: StandardContext = ALONE) -> Sequence[LimitDescription]:
        """The base's limits; where the house is stricter, the text says so. Raises `UnknownStandard`."""
        stricter = tightenings(settings)
        return tuple(
            replace(line, limit=f"{line.limit}; house: {'; '.join(words)}") if words else line
            for line in context.limits(base_key(settings))
            for words in [[stricter[name].words for name in _parameters(line) if name in stricter]]
        )

    def evaluate(self, request: InspectionRequest, context: StandardContext = ALONE) -> Verdict:
        """Raises `UnknownStandard` when the base is not active."""
        base = context.evaluate(base_key(request.settings), request)
        stricter = tightenings(request.settings)
        lines = tuple(
            tightened(line, at_most=stricter[line.parameter].limit, factor=stricter[line.parameter].factor)
            if line.parameter in stricter
            else line
            for line in base.lines
        )
        notes = (f"Base: {base.standard_title}.", *base.notes)
        judged = {line.parameter for line in lines}
        changed = [f"{name} {how.words}" for name, how in stricter.items() if name in judged]
        if changed:
            notes = (*notes, f"The house is stricter in: {', '.join(changed)}.")
        verdict = verdict_of(self, lines, missing=base.missing, notes=notes)
        if base.outcome == "incomplete" and verdict.outcome != "fail":
            return replace(verdict, outcome="incomplete")
        return verdict


def _parameters(line: LimitDescription) -> list[str]:
    """A line of display may name two parameters that share a limit, as "power_m1 and power_m2"."""
    return line.parameter.split(" and ")
