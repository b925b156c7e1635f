"""The policies."""

from __future__ import annotations

from abc import abstractmethod
from datetime import date
from typing import ClassVar

from opticshop.plugin_api import NO_SETTINGS, RecallDecision, RecallPolicy, RecallSubject, Settings

from .days import age_on, months_after
from .tables import COLLEGE, FLAGS, MOU_2002, IntervalTable

PRESCRIBER = "What the prescriber wrote"


class _PrescriberFirst(RecallPolicy):
    """The interval that the prescriber stated wins; without one, the policy's own rule."""

    def due_on(self, subject: RecallSubject, settings: Settings = NO_SETTINGS) -> RecallDecision:
        months = subject.prescriber_interval_months
        if months is None:
            return self._by_rule(subject)
        return RecallDecision(
            due_on=months_after(subject.issued_on, months),
            reason=f"The prescriber asked for the next examination after {_months(months)}.",
            source=PRESCRIBER,
        )

    @abstractmethod
    def _by_rule(self, subject: RecallSubject) -> RecallDecision: ...


class _ByTable(_PrescriberFirst):
    table: ClassVar[IntervalTable]
    flags = FLAGS

    def _by_rule(self, subject: RecallSubject) -> RecallDecision:
        age = None if subject.date_of_birth is None else age_on(subject.issued_on, subject.date_of_birth)
        rules = [rule for rule in self.table.rules if rule.applies(age, subject.flags)]
        rule = min(rules, key=lambda one: one.months)
        who = "The age is not known, so the shortest interval that could apply is taken"
        if age is not None:
            who = f"Aged {age} on the day of issue"
        return RecallDecision(
            due_on=months_after(subject.issued_on, rule.months),
            reason=f"{who}: {_months(rule.months)} for {rule.words}.",
            source=f"{self.table.source}, {self.table.edition}",
        )


class Mou2002Intervals(_ByTable):
    """Minimum intervals of the 2002 memorandum of understanding."""

    name = "mou-2002-intervals"
    title = "Intervals of the 2002 memorandum (England and Wales)"
    table = MOU_2002


class CollegeIntervals(_ByTable):
    """Intervals of the College of Optometrists."""

    name = "college-intervals"
    title = "Intervals of the College of Optometrists"
    table = COLLEGE


class PrescriptionExpiry(_PrescriberFirst):
    """The day on which the prescription expires; no recall when it has no such day."""

    name = "prescription-expiry"
    title = "At the expiry of the prescription"

    def _by_rule(self, subject: RecallSubject) -> RecallDecision:
        due: date | None = subject.expires_on
        if due is None:
            reason = "The prescription states neither an expiry nor an interval."
        elif due <= subject.issued_on:
            due, reason = None, "The prescription expires no later than it was issued; ask the prescriber."
        else:
            reason = "The prescription expires on that day."
        return RecallDecision(due_on=due, reason=reason, source=PRESCRIBER)


def _months(count: int) -> str:
    if count % 12 == 0:
        return "1 year" if count == 12 else f"{count // 12} years"
    return "1 month" if count == 1 else f"{count} months"
