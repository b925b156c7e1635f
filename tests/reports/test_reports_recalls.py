"""How many of those due came back: two branches by hand, and the figures of recalls themselves."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.branches.models import Branch
from opticshop.reminders.figures import recall_figures
from opticshop.reminders.models import Recall
from opticshop.reports.figures.recalls import RECALL_RETURN, recall_return
from opticshop.reports.registry import TOTAL, Scope
from tests.factories import BranchFactory
from tests.reminders.test_reminders_figures import after, closed, made, told

pytestmark = pytest.mark.django_db
JANUARY = dt.date(2026, 1, 1), dt.date(2026, 1, 31)
COUNTS = ("due", "told", "returned_30", "returned_60", "returned", "waiting", "not_counted", "return_share")


def asked(*branches, by="branch"):
    return Scope(since=JANUARY[0], until=JANUARY[1], branches=branches, by=by)


def january(day):
    return dt.date(2026, 1, day)


@pytest.fixture
def example(mill, quay):
    """All were told on 2 January. At the first five are due: one came after 10 days, one after 45, one after 90, one
    after 91, one not yet. Who died is not counted, nor who had come before. At the second one was never told; one whose
    only notice was lost came, which is no return; one is due in February."""
    closed(mill, "came_back", told, returned_on=after(10), due_on=january(5))
    closed(mill, "came_back", told, returned_on=after(45), due_on=january(11))
    closed(mill, "came_back", told, returned_on=after(90), due_on=january(12))
    closed(mill, "came_back", told, returned_on=after(91), due_on=january(12))
    told(mill, due_on=january(31))
    closed(mill, "deceased", told, due_on=january(6))
    closed(mill, "came_back", told, returned_on=after(-1), due_on=january(6))
    made(quay, due_on=january(1), policy="another")
    closed(quay, "came_back", told, returned_on=after(3), notices_lost=1, due_on=january(7))
    told(quay, due_on=dt.date(2026, 2, 1))
    return mill, quay


def rows_of(by, rows):
    return [(row[by], *(row[name] for name in COUNTS)) for row in rows]


def share(text):
    return Decimal(text)


def test_by_branch(example):
    """Three of five within 90 days: 0.6."""
    assert rows_of("branch", recall_return(asked(*example))) == [
        ("MILL", 5, 5, 1, 2, 3, 1, 2, share("0.6000")),
        ("QUAY", 1, 0, 0, 0, 0, 0, 1, share("0.0000")),
    ]


def test_a_branch_that_was_not_asked_for_is_not_told(example):
    mill, quay = example
    assert [*recall_return(asked(mill)), *recall_return(asked(quay))] == recall_return(asked(mill, quay))


def test_by_the_week_in_which_they_were_due(example):
    """Weeks of ISO 8601: 1 January 2026 is a Thursday of week 1; 5 to 11 January is week 2, 31 January in week 5."""
    assert rows_of("week", recall_return(asked(*example, by="week"))) == [
        ("2026-W01", 1, 0, 0, 0, 0, 0, 0, share("0.0000")),
        ("2026-W02", 2, 2, 1, 2, 2, 0, 3, share("1.0000")),
        ("2026-W03", 2, 2, 0, 0, 1, 0, 0, share("0.5000")),
        ("2026-W05", 1, 1, 0, 0, 0, 1, 0, share("0.0000")),
    ]
    assert rows_of("month", recall_return(asked(*example, by="month"))) == [
        ("2026-01", 6, 5, 1, 2, 3, 1, 3, share("0.5000"))
    ]
    days = recall_return(asked(*example, by="day"))
    assert [row["day"] for row in days] == [f"2026-01-{day:02}" for day in (1, 5, 6, 7, 11, 12, 31)]
    assert days[2]["return_share"] is None, "nobody due who is counted"


@pytest.mark.parametrize("by", ["total", "branch", "policy", "day", "week", "month"])
def test_it_agrees_with_the_figures_of_recalls_and_with_the_rows(example, actor_of, head_office, by):
    rows = recall_return(asked(*example, by=by))
    figures = recall_figures(actor_of(head_office), None, *JANUARY).returns
    for name in ("due", "told", "returned", "not_counted"):
        assert sum(row[name] for row in rows) == sum(getattr(each, name) for each in figures), name
    due = Recall.objects.everywhere("test").filter(due_on__range=JANUARY).count()
    assert sum(row["due"] + row["not_counted"] for row in rows) == due == 9
    if by == "branch":
        for row in rows:
            [branch] = [branch for branch in example if branch.code == row["branch"]]
            own = [each for each in figures if each.branch == branch.id]
            assert row["returned"] == sum(each.returned for each in own)
            if len(own) == 1:
                assert row["return_share"] == own[0].return_rate


@pytest.mark.parametrize("report", [RECALL_RETURN], ids=lambda report: report.key)
def test_every_row_has_the_columns_that_are_defined(example, report):
    for by in (*report.groupings, TOTAL):
        rows = report.figures(asked(*example, by=by))
        assert rows
        for row in rows:
            assert set(row) - {"currency"} == {by, *(column.key for column in report.columns)}, by


def test_one_query_whatever_the_branches_and_recalls(example, queries):
    def ask():
        recall_return(asked(*branches, by="week"))

    branches = list(Branch.objects.all())
    assert queries(ask) == 1
    for branch in [BranchFactory() for _ in range(3)]:
        told(branch)
    branches = list(Branch.objects.all())
    assert len(branches) == 5
    assert queries(ask) == 1
