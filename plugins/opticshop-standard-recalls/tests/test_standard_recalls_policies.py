"""Intervals against the published tables.

MOU: memorandum of understanding on sight-test intervals (England and Wales), 2002. COO: College of
Optometrists guidance on the frequency of examination.
"""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opticshop_standard_recalls import CollegeIntervals, Mou2002Intervals, PrescriptionExpiry
from opticshop_standard_recalls.days import age_on, months_after
from opticshop_standard_recalls.tables import COLLEGE, MOU_2002

from opticshop.plugin_api import RecallPolicy, RecallSubject

ISSUED = date(2024, 6, 15)
POLICIES = (Mou2002Intervals(), CollegeIntervals(), PrescriptionExpiry())


def subject(age: int, *flags: str) -> RecallSubject:
    return RecallSubject(date_of_birth=date(2024 - age, 6, 15), issued_on=ISSUED, flags=frozenset(flags))


def months_until(policy: RecallPolicy, age: int, *flags: str) -> int:
    due = policy.due_on(subject(age, *flags)).due_on
    assert due is not None
    return (due.year - ISSUED.year) * 12 + due.month - ISSUED.month


@pytest.mark.parametrize(
    ("age", "flags", "months"),
    [
        (10, (), 12),  # under 16 with no anomaly 1 year
        (15, (), 12),
        (6, ("binocular_anomaly",), 6),  # under 7 with binocular anomaly or corrected refractive error 6 months
        (6, ("corrected_refractive_error",), 6),
        (7, ("corrected_refractive_error",), 12),  # not listed from 7 on
        (7, ("binocular_anomaly",), 6),  # 7 to under 16 with binocular anomaly or rapidly progressing myopia
        (15, ("rapidly_progressing_myopia",), 6),
        (16, ("rapidly_progressing_myopia",), 24),
        (16, (), 24),  # 16 to under 70 2 years
        (69, (), 24),
        (70, (), 12),  # 70+ 1 year
        (39, ("family_history_of_glaucoma",), 24),
        (40, ("family_history_of_glaucoma",), 12),  # 40+ with family history of glaucoma
        (50, ("ocular_hypertension_unmonitored",), 12),  # or ocular hypertension not in a monitoring scheme
        (30, ("diabetes",), 12),  # diabetes 1 year
        (30, ("diabetes", "diabetic_retinal_screening"), 12),
        (30, ("something_else",), 24),
    ],
)
def test_intervals_of_the_memorandum(age: int, flags: tuple[str, ...], months: int) -> None:
    assert months_until(Mou2002Intervals(), age, *flags) == months


@pytest.mark.parametrize(
    ("age", "flags", "months"),
    [
        (10, (), 12),
        (16, (), 24),
        (70, (), 24),  # 16 and over 2 years, no separate 70+
        (30, ("diabetes",), 12),  # diabetes 2 years if in retinal screening, else 1
        (30, ("diabetes", "diabetic_retinal_screening"), 24),
    ],
)
def test_intervals_of_the_college_differ_from_the_memorandum(age: int, flags: tuple[str, ...], months: int) -> None:
    assert months_until(CollegeIntervals(), age, *flags) == months


@pytest.mark.parametrize("policy", POLICIES, ids=lambda policy: policy.name)
def test_the_interval_stated_by_the_prescriber_wins(policy: RecallPolicy) -> None:
    decision = policy.due_on(
        RecallSubject(
            date_of_birth=date(1990, 1, 1),
            issued_on=ISSUED,
            expires_on=date(2026, 6, 15),
            prescriber_interval_months=6,
            flags=frozenset(("diabetes",)),
        )
    )
    assert decision.due_on == date(2024, 12, 15)
    assert "6 months" in decision.reason
    assert "prescriber" in decision.source


def test_expiry_gives_the_day_and_a_prescription_without_one_gives_no_recall() -> None:
    policy = PrescriptionExpiry()
    with_expiry = RecallSubject(date_of_birth=None, issued_on=ISSUED, expires_on=date(2026, 6, 15))
    assert policy.due_on(with_expiry).due_on == date(2026, 6, 15)
    assert policy.due_on(RecallSubject(date_of_birth=None, issued_on=ISSUED)).due_on is None
    backwards = RecallSubject(date_of_birth=None, issued_on=ISSUED, expires_on=ISSUED)
    assert policy.due_on(backwards).due_on is None


def test_an_unknown_age_takes_the_shortest_interval_that_could_apply_and_says_so() -> None:
    decision = Mou2002Intervals().due_on(RecallSubject(date_of_birth=None, issued_on=ISSUED))
    assert decision.due_on == date(2025, 6, 15)
    assert "not known" in decision.reason


def test_the_reason_names_age_interval_and_source() -> None:
    decision = Mou2002Intervals().due_on(subject(72))
    assert decision.reason == "Aged 72 on the day of issue: 1 year for 70 and over."
    assert decision.source.endswith("(England and Wales), 2002")


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2024, 8, 31), 6, date(2025, 2, 28)),
        (date(2023, 8, 31), 6, date(2024, 2, 29)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2024, 12, 1), 1, date(2025, 1, 1)),
        (date(2024, 1, 31), 24, date(2026, 1, 31)),
    ],
)
def test_months_are_counted_in_the_calendar(day: date, months: int, expected: date) -> None:
    assert months_after(day, months) == expected


def test_age_counts_whole_years_on_the_day() -> None:
    assert age_on(date(2024, 6, 14), date(2008, 6, 15)) == 15
    assert age_on(date(2024, 6, 15), date(2008, 6, 15)) == 16
    assert age_on(date(2023, 2, 28), date(2004, 2, 29)) == 18
    assert age_on(date(2023, 3, 1), date(2004, 2, 29)) == 19


@given(
    born_on=st.dates(date(1910, 1, 1), date(2024, 1, 1)),
    after_days=st.integers(0, 20_000),
    flags=st.frozensets(st.sampled_from(("diabetes", "binocular_anomaly", "family_history_of_glaucoma"))),
)
def test_conditions_never_lengthen_the_interval_of_the_memorandum(
    born_on: date, after_days: int, flags: frozenset[str]
) -> None:
    issued = date.fromordinal(min(born_on.toordinal() + after_days, date(2060, 1, 1).toordinal()))
    plain = Mou2002Intervals().due_on(RecallSubject(date_of_birth=born_on, issued_on=issued))
    flagged = Mou2002Intervals().due_on(RecallSubject(date_of_birth=born_on, issued_on=issued, flags=flags))
    assert plain.due_on is not None
    assert flagged.due_on is not None
    assert issued < flagged.due_on <= plain.due_on


def test_the_policies_say_which_conditions_they_know() -> None:
    used = {flag for table in (MOU_2002, COLLEGE) for rule in table.rules for flag in rule.any_of | rule.unless}
    assert Mou2002Intervals.flags == CollegeIntervals.flags == used
    assert PrescriptionExpiry.flags == frozenset()
