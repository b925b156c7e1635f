"""How many of those due for a recall came back, by when they were due: the counts of ``reminders.figures``."""

from __future__ import annotations

from typing import Any

from django.db.models import F, Value
from django.db.models.functions import TruncMonth, TruncWeek

from opticshop.core import clock
from opticshop.core.shares import share_of
from opticshop.quality.figures import span_label
from opticshop.reminders.figures import DAYS_TO_RETURN, return_counts
from opticshop.reminders.models import Recall
from opticshop.reminders.permissions import ReminderPermission

from ..registry import Chart, Column, Drill, Report, Row, Scope, register

#: The group of a recall by its due day, which is a day of its branch already.
KEYS: dict[str, Any] = {
    "total": Value("Total"),
    "branch": F("branch__code"),
    "policy": F("policy"),
    "day": F("due_on"),
    "week": TruncWeek("due_on"),
    "month": TruncMonth("due_on"),
}


def recall_return(scope: Scope) -> list[Row]:
    """One row a group of the recalls due in the period. One query."""
    recalls = Recall.objects.everywhere("a report of branches whose recalls the asker may see").filter(
        branch__in=scope.branches, due_on__range=(scope.since, scope.until)
    )
    counts = return_counts(clock.now().date())
    groups = recalls.annotate(group=KEYS[scope.by]).order_by("group").values_list("group").annotate(**counts)
    rows = []
    for group, *values in groups:
        counted = dict(zip(counts, values, strict=True))
        label = span_label(group, scope.by) if scope.by in ("day", "week", "month") else group
        share = share_of(counted["returned"], counted["due"])
        rows.append({scope.by: label, **counted, "return_share": share})
    return rows


RECALL_RETURN = register(
    Report(
        key="recall-return",
        title="Recall return",
        purpose="Of the people due for an eye examination, how many came back once they were told.",
        columns=(
            Column(
                "due",
                "Due",
                "count",
                "Recalls due on a day of the period, without those who died, moved away, opted out, have another "
                "recall, or had come before they were told.",
            ),
            Column("told", "Told", "count", "Of these, the people to whom at least one notice went."),
            Column(
                "returned",
                "Came back",
                "count",
                f"Of these, the people whose newer prescription is of a day within {DAYS_TO_RETURN} days of the first "
                "notice.",
            ),
            Column("return_share", "Share that came back", "share", "Came back over due: people, not messages."),
            Column(
                "returned_30", "Within 30 days", "count", "Of those who came back, within 30 days of the first notice."
            ),
            Column(
                "returned_60", "Within 60 days", "count", "Of those who came back, within 60 days of the first notice."
            ),
            Column(
                "waiting",
                "May still come",
                "count",
                f"Told within the last {DAYS_TO_RETURN} days, and not back yet: the share of a late period grows.",
            ),
            Column("not_counted", "Not counted", "count", "Recalls due in the period that are not among those due."),
        ),
        groupings=("branch", "policy", "day", "week", "month"),
        figures=recall_return,
        reconciled_with="the figures of recalls and the raw recalls (tests/reports/test_reports_recalls.py)",
        permission=ReminderPermission.VIEW,
        chart=Chart(kind="bars", x="by", y=("due", "told", "returned")),
        drills=(Drill("/api/v1/recalls/", since="due_from", until="due_to"),),
    )
)
