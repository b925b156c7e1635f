"""A pair that is promised and not made: the promised day is over, or nearly, and its job is not finished."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from opticshop.workshop.permissions import WorkshopPermission
from opticshop.workshop.selectors import overdue_jobs

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds, api


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """One query."""
    last = place.last_day_within(given["hours_ahead"])
    for job in overdue_jobs(place.branch, last + dt.timedelta(days=1)):
        over = place.end_of(job.promised_on)
        severity = Severity.NOTICE
        if over <= place.now:
            late = place.open_days_since(job.promised_on, most=given["urgent_after_open_days"])
            severity = Severity.URGENT if late >= given["urgent_after_open_days"] else Severity.WARNING
        yield Found(
            key=f"jobs/{job.id}",
            about=f"jobs/{job.id}",
            link=api("jobs", job.id),
            number=job.number,
            severity=severity,
            since=min(over, place.now),
            facts={
                "order": str(job.order_id),
                "order_number": job.order.number,
                "promised_on": job.promised_on.isoformat(),
                "job_state": str(job.state),
                "is_over": over <= place.now,
            },
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    ending = "was promised for" if facts["is_over"] else "is promised for"
    return f"Job {number} of order {facts['order_number']} {ending} {facts['promised_on']} and is {facts['job_state']}."


CAUSE = Cause(
    name="overdue_job",
    title="Overdue job",
    action="See what holds the job up; telephone the customer with a new day before they ask.",
    owner_role="workshop",
    needs=WorkshopPermission.VIEW,
    thresholds=(
        Threshold("hours_ahead", "Raised when no more working hours are left until the promise", 2, "hours", 0, 80),
        Threshold("urgent_after_open_days", "Urgent from so many open days after the promise", 2, "open days", 1, 60),
    ),
    find=find,
    words=words,
)
