"""From a deviation and a limit to a verdict line, and from lines to a verdict."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from opticshop.optics.conformity import Confidence, check_limit, decide_symmetric

from ..tolerances import (
    PARAMETERS,
    LineOutcome,
    Outcome,
    ToleranceStandard,
    Uncertainty,
    Verdict,
    VerdictLine,
)
from ..types import Side
from .tables import Limit

NEAR_LIMIT_SHARE = Decimal("0.1")
"""Without an uncertainty, a deviation within this share of its limit is flagged as near. Project
convention."""

_UNCERTAINTY_OF_UNIT = {"D": "power_dpt", "°": "axis_deg", "Δ": "prism_dpt", "mm": "length_mm"}
_WORSE: tuple[LineOutcome, ...] = ("not_applicable", "not_measured", "pass", "undecided", "fail")


class Judge:
    """Collects the lines of one verdict."""

    def __init__(self, uncertainty: Uncertainty | None = None) -> None:
        self._uncertainty = uncertainty or Uncertainty()
        self._lines: list[VerdictLine] = []
        self._missing: list[str] = []
        self._notes: list[str] = []

    def check(
        self,
        parameter: str,
        eye: Side,
        *,
        ordered: Decimal | None,
        measured: Decimal | None,
        deviation: Decimal,
        limit: Limit,
        unit: str,
        expanded_uncertainty: Decimal | None = None,
        note: str = "",
    ) -> None:
        """Judge and add a line; the arguments are those of `line`."""
        self.add(
            self.line(
                parameter,
                eye,
                ordered=ordered,
                measured=measured,
                deviation=deviation,
                limit=limit,
                unit=unit,
                expanded_uncertainty=expanded_uncertainty,
                note=note,
            )
        )

    def line(
        self,
        parameter: str,
        eye: Side,
        *,
        ordered: Decimal | None,
        measured: Decimal | None,
        deviation: Decimal,
        limit: Limit,
        unit: str,
        expanded_uncertainty: Decimal | None = None,
        note: str = "",
    ) -> VerdictLine:
        """A judged line, not yet added. Without `expanded_uncertainty` that of the unit's quantity is
        used.
        """
        if expanded_uncertainty is None and unit in _UNCERTAINTY_OF_UNIT:
            expanded_uncertainty = getattr(self._uncertainty, _UNCERTAINTY_OF_UNIT[unit])
        line = VerdictLine(
            parameter=parameter,
            eye=eye,
            outcome="pass",
            unit=unit,
            reason="",
            ordered=ordered,
            measured=measured,
            deviation=deviation,
            clause=limit.clause,
            confidence=limit.confidence,
            source=limit.source,
            expanded_uncertainty=expanded_uncertainty,
            note=note,
        )
        return _judged(line, limit.value)

    def add(self, line: VerdictLine) -> None:
        """Add a line that has been judged."""
        self._lines.append(line)

    def not_applicable(self, parameter: str, eye: Side, unit: str, reason: str) -> None:
        """Add a line for something that has no meaning for this order."""
        self._lines.append(
            VerdictLine(parameter=parameter, eye=eye, outcome="not_applicable", unit=unit, reason=reason)
        )

    def not_measured(
        self, parameter: str, eye: Side, unit: str, reason: str, *, ordered: Decimal | None = None
    ) -> None:
        """Add a line for something that is needed and was not measured: the verdict cannot be a pass."""
        self._missing.append(f"{eye}.{parameter}")
        self._lines.append(
            VerdictLine(
                parameter=parameter,
                eye=eye,
                outcome="not_measured",
                unit=unit,
                reason=reason,
                ordered=ordered,
            )
        )

    def note(self, text: str) -> None:
        """Add a sentence about the verdict as a whole."""
        if text not in self._notes:
            self._notes.append(text)

    def length_uncertainty(self) -> Decimal | None:
        return self._uncertainty.length_mm

    def verdict(self, standard: ToleranceStandard) -> Verdict:
        return verdict_of(standard, tuple(self._lines), missing=tuple(self._missing), notes=tuple(self._notes))


def verdict_of(
    standard: ToleranceStandard,
    lines: tuple[VerdictLine, ...],
    *,
    missing: tuple[str, ...] = (),
    notes: tuple[str, ...] = (),
) -> Verdict:
    """The overall verdict: fail before incomplete before undecided before pass. No judged line:
    incomplete."""
    outcomes = {line.outcome for line in lines}
    outcome: Outcome
    if "fail" in outcomes:
        outcome = "fail"
    elif missing or "not_measured" in outcomes or not outcomes & {"pass", "undecided"}:
        outcome = "incomplete"
    elif "undecided" in outcomes:
        outcome = "undecided"
    else:
        outcome = "pass"
    return Verdict(
        outcome=outcome,
        standard_key=standard.key,
        standard_title=standard.title,
        lines=lines,
        missing=missing,
        leaned_on_unconfirmed=any(
            line.confidence is not None and line.confidence is not Confidence.CONFIRMED for line in lines
        ),
        notes=notes,
    )


def tightened(line: VerdictLine, *, at_most: Decimal | None = None, factor: Decimal = Decimal(1)) -> VerdictLine:
    """The line judged again by a limit that is never looser: the smallest of the line's own, its own times
    `factor` (at most 1), and `at_most`. Lines that were not judged are returned as they are; the outcome
    never becomes better than it was.
    """
    if line.deviation is None or factor > 1:
        return line
    candidates = [] if line.limit is None else [line.limit, line.limit * factor]
    if at_most is not None:
        candidates.append(at_most)
    if not candidates:
        return line
    stricter = _judged(line, min(candidates))
    return stricter if _WORSE.index(stricter.outcome) >= _WORSE.index(line.outcome) else line


def _judged(line: VerdictLine, limit: Decimal | None) -> VerdictLine:
    """Outcome, probability, flags and reason of a line with this limit."""
    assert line.deviation is not None
    conforms = check_limit(line.deviation, limit).conforms
    outcome: LineOutcome = "pass" if conforms else "fail"
    probability = None
    near = False
    if limit is not None and line.expanded_uncertainty is not None:
        decision = decide_symmetric(line.deviation, limit, expanded_uncertainty=line.expanded_uncertainty)
        outcome = decision.verdict.value
        probability = round(decision.probability_of_conformity, 6)
        near = decision.is_near_limit
    elif limit is not None:
        near = abs(abs(line.deviation) - limit) <= NEAR_LIMIT_SHARE * limit and line.deviation != 0
    judged = replace(
        line,
        limit=limit,
        outcome=outcome,
        reading_conforms=conforms,
        near_limit=near,
        probability_of_conformity=probability,
    )
    return replace(judged, reason=_reason(judged))


def _reason(line: VerdictLine) -> str:
    assert line.deviation is not None
    signed = line.unit in ("D", "Δ")
    who = {"right": "Right lens", "left": "Left lens", "pair": "Pair"}[line.eye]
    what = PARAMETERS.get(line.parameter, line.parameter.replace("_", " "))
    facts = []
    if line.ordered is not None:
        facts.append(f"ordered {_number(line.ordered, signed)}")
    if line.measured is not None:
        facts.append(f"measured {_number(line.measured, signed)}")
    unit = line.unit if line.unit == "°" else f" {line.unit}"
    facts.append(f"off by {_number(abs(line.deviation))}{unit}")
    if line.limit is None:
        return f"{who}, {what}: {', '.join(facts)}; no limit is stated."
    bound = f"the limit of {_number(line.limit)}{unit}"
    if line.outcome == "undecided":
        side = "inside" if line.reading_conforms else "outside"
        assert line.expanded_uncertainty is not None
        doubt = f"closer to it than the uncertainty of {_number(line.expanded_uncertainty)}{unit}"
        return f"{who}, {what}: {', '.join(facts)}; the reading is {side} {bound} but {doubt}."
    return f"{who}, {what}: {', '.join(facts)}; {'within' if line.outcome == 'pass' else 'outside'} {bound}."


def _number(value: Decimal, signed: bool = False) -> str:
    """Plain digits, the same for equal numbers: two decimals or more, none for an unsigned whole number."""
    whole, _, decimals = format(value, "f").partition(".")
    decimals = decimals.rstrip("0")
    if decimals or signed:
        whole = f"{whole}.{decimals.ljust(2, '0')}"
    return f"+{whole}" if signed and value > 0 else whole
