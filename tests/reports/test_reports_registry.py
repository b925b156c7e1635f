"""Which reports there are, and the days they are about."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from opticshop.reports.figures import stock, workshop
from opticshop.reports.figures.recalls import RECALL_RETURN
from opticshop.reports.registry import Scope, all_reports, register, report_of

DAY = dt.date(2026, 3, 29)


@pytest.mark.django_db
def test_a_day_is_that_of_each_branch(mill, quay):
    """29 March 2026: the clocks go forward in London at 01:00 UTC, so the day has 23 hours; Auckland is 13 ahead."""
    quay.time_zone = "Pacific/Auckland"
    windows = Scope(since=DAY, until=DAY, branches=(mill, quay), by="branch").windows()
    assert windows[mill.id] == (utc(29, 0), utc(29, 23))
    assert windows[quay.id] == (utc(28, 11), utc(29, 11))


def utc(day, hour):
    return dt.datetime(2026, 3, day, hour, tzinfo=dt.UTC)


def test_a_key_and_a_column_are_there_once():
    assert report_of("recall-return") is RECALL_RETURN
    assert RECALL_RETURN in all_reports()
    assert register(RECALL_RETURN) is RECALL_RETURN
    with pytest.raises(ValueError, match="two reports"):
        register(replace(RECALL_RETURN, title="Another"))
    with pytest.raises(ValueError, match="stands twice"):
        register(replace(RECALL_RETURN, key="other", groupings=("due",)))
    with pytest.raises(KeyError):
        report_of("none")


OURS = (
    RECALL_RETURN,
    stock.DEAD_STOCK,
    stock.STOCK_TURN,
    stock.STOCK_VALUE,
    workshop.REMAKES_AND_SPOIL,
    workshop.RIGHT_FIRST_TIME,
    workshop.TURNAROUND,
)


@pytest.mark.django_db
@pytest.mark.parametrize("report", OURS, ids=lambda report: report.key)
def test_the_records_behind_a_report_are_listed_there(api, head_office, mill, report):
    """Each list answers, and knows the filters that narrow it to the days and the branch of a row."""
    assert report.drills
    for drill in report.drills:
        query = {"branch": str(mill.id)} | {name: DAY.isoformat() for name in (drill.since, drill.until) if name}
        assert api(head_office).get(drill.path, query).status_code == 200, drill
