"""When Skeleton Name invites."""

from __future__ import annotations

from datetime import date

from opticshop.plugin_api import RecallSubject
from opticshop.plugin_api.testing import conformance
from opticshop.pluginhost.skeletons.recall.plugin import SkeletonNamePolicy, months_later, plugin

test_conformance = conformance(plugin)


def test_the_prescriber_wins_over_the_branch() -> None:
    subject = RecallSubject(date_of_birth=None, issued_on=date(2026, 3, 2), prescriber_interval_months=6)
    assert SkeletonNamePolicy().due_on(subject, {"months": 12}).due_on == date(2026, 9, 2)


def test_the_branch_sets_the_months() -> None:
    subject = RecallSubject(date_of_birth=None, issued_on=date(2026, 3, 2))
    assert SkeletonNamePolicy().due_on(subject, {"months": 12}).due_on == date(2027, 3, 2)


def test_a_day_that_the_month_does_not_have_becomes_its_last() -> None:
    assert months_later(date(2026, 8, 31), 6) == date(2027, 2, 28)
