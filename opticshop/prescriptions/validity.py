"""How long a prescription can be used: dated, sourced rules per jurisdiction and age, and where a prescription stands.

The rules are data to be checked against the law of the place before they are relied on; a prescriber's own expiry
always wins over them. A recall interval is another matter and does not shorten a validity.
"""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from opticshop.customers.ages import age_on

from .bounds import NO_SOURCE, Confidence

STATED = "stated by the prescriber"

#: Nobody is older: the earliest day for somebody whose birth date is unknown.
LONGEST_LIFE_YEARS = 130

#: An override is an exception for one dispensing, not a new prescription. House rule, no source.
OVERRIDE_LONGEST_DAYS = 31


class Status(StrEnum):
    CURRENT = "current"
    SUPERSEDED = "superseded"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True, kw_only=True)
class ValidityRule:
    """A term in months from the day of issue, for ages [from_age, below_age), for issues in [valid_from, valid_to]."""

    jurisdiction: str
    months: int
    source: str
    confidence: Confidence
    from_age: int = 0
    below_age: int | None = None
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None

    def covers(self, age: int | None, issued_on: dt.date) -> bool:
        """Whether the rule speaks of this day and age; an unknown age is covered by every rule."""
        if (self.valid_from and issued_on < self.valid_from) or (self.valid_to and issued_on > self.valid_to):
            return False
        return age is None or (self.from_age <= age and (self.below_age is None or age < self.below_age))


_FR_LAW = "Code de la santé publique L. 4362-10, as it stood; under 16 from trade press"
_FR_DECREE = "Décret 2016-1381 of 12 October 2016; terms as reported by trade press"
_FR_LAST, _FR_FIRST = dt.date(2016, 10, 16), dt.date(2016, 10, 17)
_HIGH, _MEDIUM, _LOW = Confidence.HIGH, Confidence.MEDIUM, Confidence.LOW

#: A key is a country or "country-subdivision" (ISO 3166); a subdivision without a row falls back to its country.
VALIDITY_RULES: tuple[ValidityRule, ...] = (
    ValidityRule(
        jurisdiction="GB",
        months=24,
        source="Sale of Optical Appliances Order of Council 1984: two years, on the day of presentation",
        confidence=_HIGH,
    ),
    ValidityRule(
        jurisdiction="US-CA",
        months=24,
        source="California Business and Professions Code 2541.1: not less than two years; must be stated",
        confidence=_HIGH,
    ),
    ValidityRule(
        jurisdiction="US-FL",
        months=60,
        source="Florida Statutes 484.012: five years",
        confidence=_MEDIUM,
    ),
    ValidityRule(
        jurisdiction="US-NH",
        months=24,
        source="New Hampshire optometry board on RSA 327-A: not more than 24 months old",
        confidence=_HIGH,
    ),
    ValidityRule(
        jurisdiction="US",
        months=12,
        source="other states mostly one or two years or as prescribed, from memory; the shorter is kept",
        confidence=_LOW,
    ),
    ValidityRule(jurisdiction="FR", below_age=16, months=12, valid_to=_FR_LAST, source=_FR_LAW, confidence=_MEDIUM),
    ValidityRule(jurisdiction="FR", from_age=16, months=36, valid_to=_FR_LAST, source=_FR_LAW, confidence=_MEDIUM),
    ValidityRule(
        jurisdiction="FR", below_age=16, months=12, valid_from=_FR_FIRST, source=_FR_DECREE, confidence=_MEDIUM
    ),
    ValidityRule(
        jurisdiction="FR",
        from_age=16,
        below_age=43,
        months=60,
        valid_from=_FR_FIRST,
        source=_FR_DECREE,
        confidence=_MEDIUM,
    ),
    ValidityRule(
        jurisdiction="FR", from_age=43, months=36, valid_from=_FR_FIRST, source=_FR_DECREE, confidence=_MEDIUM
    ),
    ValidityRule(jurisdiction="IE", months=24, source="convention, no statutory term, from memory", confidence=_LOW),
    ValidityRule(jurisdiction="CA", months=24, source="convention, no statutory term, from memory", confidence=_LOW),
    ValidityRule(jurisdiction="AU", months=24, source="convention, no statutory term, from memory", confidence=_LOW),
)

DEFAULT_RULE = ValidityRule(jurisdiction="elsewhere", months=24, source=NO_SOURCE, confidence=_LOW)
LONGEST_TERM_MONTHS = max(rule.months for rule in (*VALIDITY_RULES, DEFAULT_RULE))


@dataclass(frozen=True, slots=True)
class Expiry:
    expires_on: dt.date
    source: str


def rule_for(
    jurisdiction: str,
    *,
    age: int | None,
    issued_on: dt.date,
    rules: Sequence[ValidityRule] = VALIDITY_RULES,
) -> ValidityRule:
    """The rule of the jurisdiction, else of its country, else the default; of several, the shortest term."""
    for key in (jurisdiction, jurisdiction.split("-")[0]):
        found = [rule for rule in rules if rule.jurisdiction == key and rule.covers(age, issued_on)]
        if found:
            return min(found, key=lambda rule: rule.months)
    return DEFAULT_RULE


def expiry_of(*, stated: dt.date | None, issued_on: dt.date, jurisdiction: str, born_on: dt.date | None) -> Expiry:
    """The last day of use: the prescriber's, or the one that follows from the rules, with where it comes from."""
    if stated is not None:
        return Expiry(stated, STATED)
    age = age_on(born_on, issued_on)
    rule = rule_for(jurisdiction, age=age, issued_on=issued_on)
    unknown = "; age unknown, shortest term" if age is None and (rule.from_age or rule.below_age) else ""
    return Expiry(
        months_after(issued_on, rule.months),
        f"{rule.months} months ({rule.jurisdiction}): {rule.source}; confidence {rule.confidence}{unknown}",
    )


def first_day_of(born_on: dt.date | None, today: dt.date) -> dt.date:
    """The earliest day on which anything can have been prescribed to or measured on a person."""
    return born_on or dt.date(today.year - LONGEST_LIFE_YEARS, 1, 1)


def months_after(day: dt.date, months: int) -> dt.date:
    """The same day of a later month, or the last day of that month where it has no such day."""
    year, month0 = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = calendar.monthrange(year, month0 + 1)[1]
    return dt.date(year, month0 + 1, min(day.day, last))


def status_on(day: dt.date, *, expires_on: dt.date, is_superseded: bool) -> Status:
    """Where a prescription stands on a day of its branch. The day of expiry itself is still a day of use."""
    if is_superseded:
        return Status.SUPERSEDED
    return Status.EXPIRED if day > expires_on else Status.CURRENT
